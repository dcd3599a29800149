"""Centres under a window: known places, rings above all."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.stars.centre import free_of_pixels, window_centres, window_elongation

from .scenes import fine_star, pixels


def stretched_gaussian(ratio, angle_deg, sigma=2.0, half=15):
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    a = np.radians(angle_deg)
    u, v = x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)
    return np.exp(-0.5 * ((u / (sigma * ratio)) ** 2 + (v / sigma) ** 2))


@pytest.mark.parametrize("disc", [0.0, 3.0, 8.0])
@pytest.mark.parametrize(("dx", "dy"), [(0.0, 0.0), (0.25, -0.5), (-0.5, 0.25)])
def test_the_centre_of_a_ring_is_found_from_a_pixel_away(disc, dx, dy):
    stamp, x, y = pixels(fine_star(disc, obstruction=0.35), dx, dy)
    window = max(0.75 * disc, 1.8)
    found_x, found_y = window_centres(stamp[None], np.array([x + 0.7]), np.array([y - 0.6]), window)
    # Steps stop at 0.003 px; the window of a sharp star moves each step by half of the rest.
    assert_allclose([found_x[0], found_y[0]], [x, y], atol=0.01)


def test_a_neighbour_beyond_the_window_hardly_pulls():
    star, _, _ = pixels(fine_star(0.0), 0.0, 0.0)
    half = star.shape[0] // 2
    both = star + np.roll(star, 14, axis=1) * 0.5
    x, y = window_centres(both[None], np.zeros(1), np.zeros(1), 1.8)
    assert half > 14
    assert np.hypot(x[0], y[0]) < 0.02


def test_darkness_has_no_centre():
    x, y = window_centres(np.full((1, 15, 15), -1.0), np.zeros(1), np.zeros(1), 2.0)
    assert np.isnan(x[0])
    assert np.isnan(y[0])


@pytest.mark.parametrize("ratio", [1.0, 1.3, 2.0])
@pytest.mark.parametrize("angle", [0.0, 35.0, 90.0])
def test_the_axis_ratio_of_a_gaussian_is_recovered_at_any_angle(ratio, angle):
    # Removing the window is exact for Gaussians; pixels and the edge of the cutout cost 1 %.
    stamp = stretched_gaussian(ratio, angle)
    found = window_elongation(stamp[None], np.zeros(1), np.zeros(1), 3.0)[0]
    assert_allclose(found, ratio, rtol=0.01)


def test_a_line_through_the_window_is_endlessly_long():
    line = np.zeros((1, 31, 31))
    line[0, 14:17] = 1.0
    assert window_elongation(line, np.zeros(1), np.zeros(1), 3.0)[0] > 5


@pytest.mark.parametrize("fwhm", [0.8, 1.0, 1.3])
def test_sharp_stars_are_not_drawn_to_the_middle_of_their_pixel(fwhm):
    # Source: GalSim draws the pixels. Moffat beta 3: not the profile the correction was made with.
    galsim = pytest.importorskip("galsim")
    star = galsim.Moffat(beta=3.0, fwhm=fwhm)
    phase = np.linspace(-0.45, 0.45, 7)
    cutouts = np.array(
        [star.drawImage(galsim.ImageD(31, 31), scale=1.0, offset=(p, 0.1)).array for p in phase]
    )
    radius = 0.31 + 0.49 * fwhm  # of these pixels, to 2 %
    plain, _ = window_centres(cutouts, phase, np.full(7, 0.1), max(radius, 0.8))
    better = free_of_pixels(plain, radius)
    assert np.abs(plain - phase).max() > 0.012
    assert np.abs(better - phase).max() < 0.35 * np.abs(plain - phase).max()


def test_centres_of_wide_stars_are_left_alone():
    offset = np.array([-0.3, 0.0, 0.41])
    assert free_of_pixels(offset, 1.5) is offset
