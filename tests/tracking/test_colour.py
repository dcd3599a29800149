"""Colour cameras: which pixels belong to which channel."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from starsize.frames.frame import FrameFacts
from starsize.photometry import ImageRadius
from starsize.setup import Camera
from starsize.tracking.colour import Grid, channels_of, grid_of, in_frame, steepness

LETTERS = {"R": 1, "G": 2, "B": 3}


def facts(pattern):
    return FrameFacts(path=Path("night.fits"), bayer=pattern)


def mosaic(pattern, shape=(6, 8)):
    image = np.zeros(shape, np.uint16)
    for i, letter in enumerate(pattern):
        image[i // 2 :: 2, i % 2 :: 2] = LETTERS[letter]
    return image


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("channel", ["R", "G", "B"])
@pytest.mark.parametrize("shape", [(6, 8), (7, 9)])
def test_each_channel_takes_its_own_pixels(pattern, channel, shape):
    grid = grid_of(channel, facts(pattern), Camera())
    assert len(grid.corners) == (2 if channel == "G" else 1)
    assert grid.pick(mosaic(pattern, shape)).shape == (3, 4)
    assert_array_equal(grid.pick(mosaic(pattern, shape)), LETTERS[channel])


def test_the_setup_can_force_and_forbid_a_pattern():
    assert channels_of(facts("RGGB"), Camera()) == ("R", "G", "B")
    assert channels_of(facts("RGGB"), Camera(bayer="none")) == ("",)
    assert channels_of(facts(None), Camera(bayer="GBRG")) == ("R", "G", "B")
    assert channels_of(facts(None), Camera()) == ("",)
    assert grid_of("R", facts("RGGB"), Camera(bayer="BGGR")).corners == ((1, 1),)


def test_green_lies_between_its_two_pixels_and_red_on_its_own():
    assert_allclose(grid_of("G", facts("RGGB"), Camera()).origin, (0.5, 0.5))
    assert_allclose(grid_of("B", facts("RGGB"), Camera()).origin, (1, 1))
    assert_allclose(grid_of("R", facts("GRBG"), Camera()).origin, (1, 0))


def test_a_mono_frame_is_one_grid_without_extra_blur():
    grid = grid_of("", facts(None), Camera())
    image = mosaic("RGGB")
    assert grid.pick(image) is image
    assert Grid().held_px2 == 0.0


SIZES = {
    # Radii of 30, 50 and 80 % of the light in closed form (starsize/optics): variance of the
    # Gaussian 1; Moffat of alpha 1 and beta 3; disc of radius 1.
    "gaussian": np.sqrt(-2 * np.log([0.7, 0.5, 0.2])),
    "moffat": np.sqrt(np.array([0.7, 0.5, 0.2]) ** -0.5 - 1),
    "disc": np.sqrt([0.3, 0.5, 0.8]),
}
#: Slope of ln I over ln r at the half-flux radius, over that of a Gaussian: r^2, 6 r^2 / (1 + r^2).
SLOPES = {
    "gaussian": 1.0,
    "moffat": 6 * (2**0.5 - 1) / 2**0.5 / (2 * np.log(2)),
    "disc": 0.0,
}


@pytest.mark.parametrize("kind", SIZES)
def test_a_small_blur_widens_a_star_by_the_slope_of_its_light(kind):
    r30, r50, r80 = SIZES[kind]
    radius = ImageRadius(radius30_px=r30, radius_px=r50, radius80_px=r80)
    assert_allclose(steepness(radius), SLOPES[kind], atol=0.13)


def test_radii_of_one_colour_are_those_of_the_light_as_it_fell():
    # Light of variance 4 px^2 fell on red pixels 1 px wide, two apart: 1/12 px^2 more. The
    # photometry takes off what pixels 2 px wide smear, 4/12 px^2.
    seen = {name: np.sqrt(4 + (1 - 4) / 12) * r / 2 for name, r in zip(
        ("radius30_px", "radius_px", "radius80_px"), SIZES["gaussian"], strict=True)}  # fmt: skip
    seen |= {"radius30_sigma_px": 0.1, "radius_sigma_px": 0.1, "radius80_sigma_px": 0.1}
    measured = ImageRadius(**seen)
    grid = grid_of("R", facts("RGGB"), Camera())
    found = in_frame(measured, grid, steepness(measured))
    radii = (found.radius30_px, found.radius_px, found.radius80_px)
    assert_allclose(radii, 2 * SIZES["gaussian"], rtol=2e-3)
    assert_allclose(found.radius_sigma_px, 0.2, rtol=0.05)
