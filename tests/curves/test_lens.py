"""The lens that the joint fit finds, against the traced lens that the radii were drawn with."""

import numpy as np
import pytest

from starsize.curves import Known, fit_curves, focus_curve
from starsize.curves.fitted import LensColour
from starsize.estimate import Estimate
from starsize.filters import Band
from starsize.simulate import LENSES, PointsPlan, draw_points, tabulate_radii

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
    pull = [
        (lens.at(at) - np.array(true_um) / size)
        / np.interp(at, lens.wavelength_nm, lens.sigma_steps)
        for lens in lenses
    ]
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


def test_a_lens_is_read_between_its_colours():
    lens = LensColour(
        wavelength_nm=np.array([400.0, 600.0]),
        shift_steps=np.array([10.0, 20.0]),
        sigma_steps=np.array([1.0, 1.0]),
        secondary_steps=Estimate(1.0, 0.1),
        spherical_waves=Estimate(0.1, 0.2),
    )
    assert lens.at(500.0) == pytest.approx(15.0)
