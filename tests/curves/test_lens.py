"""The lens that the joint fit finds, against the traced lens that the radii were drawn with."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.curves import Known, fit_curves, focus_curve
from starsize.curves.fitted import LensColour
from starsize.estimate import Estimate
from starsize.filters import Band
from starsize.optics.star import colour_terms
from starsize.simulate import LENSES, PointsPlan, draw_points, tabulate_radii
from starsize.simulate.glasses import secondary_spectrum, thin_doublet_shift

FILTERS = ("L", "R", "B", "Ha")


@pytest.fixture(scope="module")
def found():
    """The scene and what four nights of it say of its lens."""
    table = tabulate_radii(LENSES["blue_doublet_f5.6"], FILTERS, grid=33)
    scene = table.scene
    known = Known(
        focal_ratio=scene.lens.focal_ratio,
        pixel_um=scene.sensor.pixel_um,
        um_per_step=scene.focuser.um_per_step,
    )
    lenses = []
    for seed in range(4):
        points = draw_points(table, PointsPlan(order=FILTERS), seed=seed)
        curves = [
            focus_curve(
                p.position_steps, p.radius_px[:, 1], p.sigma_px[:, 1], filter=p.filter, id=p.filter
            )
            for p in points
        ]
        lenses.append(fit_curves(curves, telescope=known).lens)
    return scene, lenses


def test_each_colour_focuses_where_the_traced_lens_has_it(found):
    """Ray tracing with the glass makers' formulas (starsize.simulate.lens) is the truth."""
    scene, lenses = found
    at = np.array([420.0, 450.0, 486.0, 520.0, 600.0, 656.0, 690.0])
    true_um = [scene.lens.colour_shift_um(w) - scene.lens.colour_shift_um(550.0) for w in at]
    size = scene.focuser.um_per_step
    pull = [(lens.at(at) - np.array(true_um) / size) / lens.sigma(at) for lens in lenses]
    # The colours of a night miss together: four nights are little more than four draws.
    assert np.sqrt(np.mean(np.square(pull))) < 2.0


def test_the_secondary_spectrum_is_that_of_the_traced_lens(found):
    scene, lenses = found
    f, c, d = (scene.lens.colour_shift_um(w) for w in (486.1327, 656.2725, 587.5618))
    pull = [
        (lens.secondary_steps.value - ((f + c) / 2 - d) / scene.focuser.um_per_step)
        / lens.secondary_steps.sigma
        for lens in lenses
    ]
    assert np.sqrt(np.mean(np.square(pull))) < 2.0


def test_spherical_aberration_is_within_its_doubt(found):
    """The edge of the pupil focuses dz further out: dz / (16 N^2) of wavefront in q^2."""
    scene, lenses = found
    true = scene.lens.spherical_at_um(550.0) / (16 * scene.lens.focal_ratio**2 * 0.55)
    assert true == pytest.approx(0.0725, abs=0.0005)
    for lens in lenses:
        found_waves = lens.spherical_waves
        assert 0 < found_waves.sigma < 0.3
        assert abs(abs(found_waves.value) - true) < 2.5 * found_waves.sigma


def test_narrow_bands_alone_tell_nothing_of_the_lens():
    position = np.arange(900.0, 1101.0, 20.0)
    radius = np.hypot(2.0, 0.06 * (position - 1003))
    curve = focus_curve(position, radius, 0.01 * radius, filter="Ha")
    assert fit_curves([curve], bands={"Ha": Band(656.3, 7)}).lens is None


def of_foci(wavelength_nm, shift, sigma=1e-3):
    """The lens whose terms meet some foci best (counted from any one zero)."""
    basis = colour_terms(1e-3 * wavelength_nm).T
    with_zero = np.column_stack([basis, np.ones(len(basis))])
    terms = np.linalg.lstsq(with_zero, shift, rcond=None)[0][:3]
    return LensColour(
        span_nm=(430.0, 700.0),
        terms_steps=terms,
        covariance_steps2=sigma**2 * np.eye(3),
        spherical_waves=Estimate(0.1, 0.2),
    )


# Back focus minus that at d in mm, prescriptions of M. Laikin, Lens Design, 4th ed. 2007, p. 44
# and 45, traced again by two codes that agree to 1e-6: f/8 of 48.01 mm, f/6 of 20.01 mm.
DOUBLET_NM = np.array(
    [587.5618, 435.8343, 479.9914, 486.1327, 500.684, 546.074, 643.8469, 656.2725]
)
DOUBLET = np.array([0, 0.065829, 0.005779, 0.001583, -0.005614, -0.010275, 0.025840, 0.032744])
CEMENTED_NM = np.array([587.5618, 486.1327, 546.074, 656.2725, 435.8343, 706.5188])
CEMENTED = np.array([0, -0.005125, -0.005901, 0.014269, 0.016863, 0.026228])


@pytest.mark.parametrize(
    ("wavelength", "shift"),
    [(DOUBLET_NM, DOUBLET), (CEMENTED_NM, CEMENTED)],
    ids=["doublet", "cemented"],
)
def test_three_terms_follow_published_achromats(wavelength, shift):
    left = of_foci(wavelength, shift).at(wavelength) - shift
    assert np.max(np.abs(left - left.mean())) < 0.03 * np.ptp(shift)


@pytest.mark.parametrize("pair", [("N-BK7", "F2"), ("N-BK7", "SF2")])
def test_the_secondary_spectrum_of_a_doublet_is_that_of_thin_lens_theory(pair):
    # f = 1000 mm: f/2002 and f/1974.
    at = np.array([450.0, 486.1327, 500.7, 535.0, 587.5618, 640.0, 656.2725, 672.4])
    lens = of_foci(at, thin_doublet_shift(*pair, at, focal_length_mm=1000.0))
    assert lens.secondary_steps.value / 1000 == pytest.approx(secondary_spectrum(*pair), rel=0.03)


def test_what_a_lens_does_not_know_of_its_terms_stands_at_every_colour():
    lens, at = of_foci(DOUBLET_NM, DOUBLET, sigma=0.1), np.array([450.0, 550.0, 656.3])
    v = (550 / at) ** 2 - 1
    w, u = v**2 + v**4 / (5 * (1 + v)), v**3 / (1 + v)
    by_hand = 0.1 * np.sqrt(v**2 + (w - u / 5) ** 2 + u**2)
    np.testing.assert_allclose(lens.sigma(at), by_hand, atol=1e-9)
    assert lens.at(np.array([550.0]))[0] == 0


def test_bands_that_do_not_come_near_f_or_c_tell_no_secondary_spectrum():
    lens = of_foci(DOUBLET_NM, DOUBLET)
    assert lens.secondary_steps.is_known
    assert not replace(lens, span_nm=(500.0, 700.0)).secondary_steps.is_known
