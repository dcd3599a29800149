"""The lens set beside its filters: zero, glass, spread and growth, worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.comparison import compare_sweeps
from starsize.curves import fit_curves, focus_curve
from starsize.curves.fitted import LensColour
from starsize.estimate import Estimate
from starsize.optics import plate_shift_mm
from starsize.setup import Camera, Focuser, Setup, Telescope

UM_PER_STEP = 4.0
SETUP = Setup(
    telescope=Telescope(focal_length_mm=480.0, aperture_mm=87.3),
    focuser=Focuser(um_per_step=UM_PER_STEP, repeatability_steps=0.2),
    camera=Camera(pixel_um=3.76),
)
#: A lens of the first term alone: 40 steps x (1 - (550 nm / wavelength)^2).
LENS = LensColour(
    span_nm=(400.0, 700.0),
    terms_steps=np.array([-40.0, 0.0, 0.0]),
    covariance_steps2=np.diag([1.0, 0.0, 0.0]),
    spherical_waves=Estimate(0.1, 0.05),
)


def term(wavelength_nm):
    return (550.0 / wavelength_nm) ** 2 - 1


GLASS_MM = 0.5


@pytest.fixture(scope="module")
def report():
    """L, R, G, B where the lens has them, and OIII with half a millimetre more glass."""
    thick = 1e3 * plate_shift_mm(GLASS_MM, 1.52, 5.5) / UM_PER_STEP
    position = np.arange(900.0, 1101.0, 20.0)
    setup = SETUP
    curves = []
    for name in ("L", "R", "G", "B", "OIII"):
        band = setup.band(name)
        best = (
            1000 + -40.0 * float(np.mean(term(across(band)))) + (thick if name == "OIII" else 0.0)
        )
        radius = np.hypot(1.5, 0.06 * (position - best))
        curves += [
            focus_curve(position, radius, 0.01, filter=name, id=f"{name}-{k}") for k in (1, 2)
        ]
    fits = replace(fit_curves(curves, model="hyperbola"), lens=LENS)
    comparison = compare_sweeps(fits, setup=setup, um_per_step=Estimate(UM_PER_STEP))
    return comparison.colour.lens, {row.filter: row for row in comparison.rows}


def across(band):
    return band.wavelength_nm + band.width_nm * np.linspace(-0.5, 0.5, 1001)


def of(lens, name):
    return next(one for one in lens.filters if one.filter == name)


def test_each_filter_stands_where_the_lens_has_its_middle(report):
    lens, _ = report
    for name, wavelength in (("R", SETUP.band("R")), ("B", SETUP.band("B"))):
        expected = -40.0 * np.mean(term(across(wavelength))) * UM_PER_STEP
        assert of(lens, name).focus_um.value == pytest.approx(expected, abs=1.5)
        assert of(lens, name).glass_mm.value == pytest.approx(0.0, abs=0.01)


def test_more_glass_is_seen_in_the_filter_that_holds_it(report):
    lens, _ = report
    glass = of(lens, "OIII").glass_mm
    assert glass.value == pytest.approx(GLASS_MM, abs=0.02)
    assert 0 < glass.sigma < 0.05


def test_the_spread_of_a_band_is_that_of_the_lens_over_it(report):
    lens, _ = report
    spread = 40.0 * np.ptp(term(across(SETUP.band("R")))) * UM_PER_STEP
    assert of(lens, "R").spread_um == pytest.approx(spread, rel=0.01)


def test_stars_at_the_focus_of_luminance_grow_as_their_own_curve_says(report):
    lens, rows = report
    off = rows["B"].offset_steps
    assert of(lens, "B").growth_at_luminance == pytest.approx(
        np.hypot(1.5, 0.06 * off) / 1.5, rel=0.01
    )
    assert of(lens, "L").growth_at_luminance == pytest.approx(1.0, abs=1e-3)


def test_the_secondary_spectrum_is_handed_on_in_micrometres(report):
    lens, _ = report
    f, c, d = term(np.array([486.1327, 656.2725, 587.5618]))
    assert lens.secondary_um.value == pytest.approx(-40.0 * ((f + c) / 2 - d) * UM_PER_STEP)
    assert lens.secondary_um.sigma == pytest.approx(abs((f + c) / 2 - d) * UM_PER_STEP)
    assert lens.shift_um[0] == pytest.approx(-40.0 * term(400.0) * UM_PER_STEP)
