"""Exact areas, checked against photutils' exact apertures and plain geometry."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from photutils.aperture import CircularAperture

from starsize.stars.rings import aperture_sums, pixel_overlap


def sums_loop(cutouts, dx, dy, radii):
    """The slow, obvious twin: one photutils aperture at a time."""
    half = cutouts.shape[1] // 2
    return np.array(
        [
            [
                CircularAperture((half + x, half + y), r).do_photometry(cut, method="exact")[0][0]
                for r in radii
            ]
            for cut, x, y in zip(cutouts, dx, dy, strict=True)
        ]
    )


@pytest.mark.parametrize("radii", [[0.3, 0.5, 0.8, 1.3], [2.0, 5.5, 9.0], [3.0, 1.0, 8.2]])
def test_sums_equal_those_of_exact_apertures(radii):
    # Source: photutils, CircularAperture, method "exact"; both are exact, so only rounding differs,
    # ours in single precision.
    rng = np.random.default_rng(1)
    cutouts = rng.random((6, 23, 23))
    dx, dy = rng.uniform(-0.7, 0.7, (2, 6))
    sums = aperture_sums(cutouts, dx, dy, np.array(radii))
    assert_allclose(sums, sums_loop(cutouts, dx, dy, radii), rtol=1e-6, atol=2e-6)


@pytest.mark.parametrize("radius", [0.2, 0.7, 3.3, 7.9])
def test_an_even_image_gives_the_area_of_the_circle(radius):
    sums = aperture_sums(
        np.ones((1, 21, 21)), np.array([0.31]), np.array([-0.47]), np.array([radius])
    )
    assert_allclose(sums[0, 0], np.pi * radius**2, rtol=1e-6)


def test_a_pixel_wholly_inside_counts_one_and_wholly_outside_nothing():
    overlap = pixel_overlap(np.array([0.0, 9.0]), np.array([1.0, 0.0]), 4.0)
    assert_allclose(overlap, [1.0, 0.0], atol=1e-12)


def test_a_pixel_cut_through_the_middle_by_a_wide_circle_counts_about_half():
    # The edge of a circle of radius 1000 is all but straight across one pixel.
    overlap = pixel_overlap(np.array([1000.0]), np.array([0.0]), 1000.0)
    assert_allclose(overlap, [0.5], atol=1e-4)
