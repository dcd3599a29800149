"""Colour cameras: which pixels belong to which channel."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from starsize.frames.frame import FrameFacts
from starsize.setup import Camera
from starsize.stars.colour import Grid, channels_of, grids_of

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
def test_each_channel_takes_its_own_pixels(pattern, channel):
    image = mosaic(pattern)
    grids = grids_of(channel, facts(pattern), Camera())
    assert len(grids) == (2 if channel == "G" else 1)
    for grid in grids:
        assert_array_equal(grid.pick(image), LETTERS[channel])


def test_the_setup_can_force_and_forbid_a_pattern():
    assert channels_of(facts("RGGB"), Camera()) == ("R", "G", "B")
    assert channels_of(facts("RGGB"), Camera(bayer="none")) == ("",)
    assert channels_of(facts(None), Camera(bayer="GBRG")) == ("R", "G", "B")
    assert channels_of(facts(None), Camera()) == ("",)
    (red,) = grids_of("R", facts("RGGB"), Camera(bayer="BGGR"))
    assert (red.row, red.column) == (1, 1)


def test_places_go_to_the_frame_and_back():
    grid = Grid(1, 0, 2)
    places = np.array([[3.0, 4.0], [0.25, 7.5]])
    assert_allclose(grid.to_frame(places), [[6.0, 9.0], [0.5, 16.0]])
    assert_allclose(grid.from_frame(grid.to_frame(places)), places)


def test_a_mono_frame_is_one_grid_without_extra_blur():
    (grid,) = grids_of("", facts(None), Camera())
    image = mosaic("RGGB")
    assert grid.pick(image) is image
    assert grid.held_variance == 0.0
