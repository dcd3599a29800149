"""Colour cameras: which pixels belong to which channel."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from starsize.frames.frame import FrameFacts
from starsize.setup import Camera
from starsize.tracking.colour import Grid, channels_of, grid_of

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
