"""What is not known of the star: two numbers for the night."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from starsize.night import Exposure, equipment_from_setup
from starsize.night.course import _SIDES, _STARS, alike, along_and_apart, doubted, prepare_course
from starsize.night.model import DEFOCUS_ZONES
from starsize.night.telescope import StarTable
from starsize.setup import Camera, Setup, Telescope

LACK = 0.007
NONE = np.zeros(1)


def stars(per_sigma):
    """Shapes that less steep air changes by ``per_sigma`` for each sigma of its exponent."""
    shape = np.full((_STARS.size, DEFOCUS_ZONES.size, 5), 0.5)
    shape += per_sigma * _STARS[:, None, None]
    return StarTable(np.linspace(0.0, 1.0, 5), np.zeros_like(shape), shape, np.zeros(29, bool))


def test_air_and_lack_are_added_as_independent_errors_once():
    # Independent standard uncertainties add by their squares: JCGM 100:2008 (GUM), 5.1.2, eq. (10).
    lack = np.stack([np.full((DEFOCUS_ZONES.size, 5), size) for size in (LACK, 0.0)])
    for per_sigma in (-0.017, 0.003):
        found = doubted(stars(per_sigma), lack, NONE).log_shape[:, 40, 2]
        assert_allclose(found, 0.5 + np.sign(per_sigma) * _STARS * np.hypot(per_sigma, LACK))


def test_a_table_without_lack_is_left_as_it_is():
    plain = stars(-0.017)
    same = doubted(plain, np.zeros((2, DEFOCUS_ZONES.size, 5)), NONE)
    assert_allclose(same.log_shape, plain.log_shape, atol=1e-12)


def test_what_frames_in_focus_tell_of_others_is_the_mean_of_a_conditional_normal():
    # Draws of b(0) and b(d): the part of b(d) that b(0) tells, and what is left, by regression.
    rng = np.random.default_rng(1)
    covariance = 4e-4 + 1e-4 * alike(DEFOCUS_ZONES, DEFOCUS_ZONES)
    drawn = rng.multivariate_normal(np.zeros(DEFOCUS_ZONES.size), covariance, 20000)
    focus = drawn[:, 40]
    along, apart = along_and_apart(covariance)
    for at in (25, 45, 55):
        slope = drawn[:, at] @ focus / (focus @ focus)
        assert_allclose(along[at], slope * focus.std(), rtol=0.02)
        assert_allclose(apart[at], (drawn[:, at] - slope * focus).std(), rtol=0.02)
    assert_allclose(along**2 + apart**2, np.diag(covariance))


def test_either_side_of_focus_may_be_off_by_itself_and_focus_not():
    away = np.abs(DEFOCUS_ZONES)[:, None] * np.full(5, LACK)
    lack = np.stack([np.zeros_like(away), away])
    found = doubted(stars(0.0), lack, _SIDES).log_shape.reshape(_STARS.size, _SIDES.size, -1, 5)
    for k, w in enumerate(_SIDES):
        assert_allclose(found[3, k, :, 2], 0.5 + w * LACK * DEFOCUS_ZONES, atol=1e-12)


def test_a_mirror_known_by_its_figures_is_doubted_less_for_it_has_no_colour():
    """Between filters and defoci drawn mirrors differ by 0.001 in ln shape, lenses by 0.005."""
    scope = Telescope(focal_length_mm=800, aperture_mm=200, obstruction_mm=70)
    mirror = equipment_from_setup(Setup(telescope=scope, camera=Camera(pixel_um=3.8)), ["L"])
    one = Exposure(file="1", filter="L", hfr_px=3, hfr_sigma_px=0.01, shape=1.5, shape_sigma=0.006)
    # The same shape tells focus from three zones out more sharply.
    focus, told = DEFOCUS_ZONES.size // 2, []
    for each in (replace(mirror, shape_differs={}), mirror):
        heights = prepare_course([one], each).frame(one).shown[2]
        near, far = heights[heights.shape[0] // 2, [focus, focus + 15]]
        told.append(abs(np.log(far / near)))
    assert told[1] > 1.5 * told[0]
