"""Colour cameras: which pixels belong to which channel."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from starsize.frames.frame import FrameFacts
from starsize.photometry import Known, measure_image
from starsize.setup import Camera
from starsize.tracking.tasks import channels_of, grid_of

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


def test_a_mono_frame_is_one_grid_of_square_pixels():
    grid = grid_of("", facts(None), Camera())
    image = mosaic("RGGB")
    assert grid.pick(image) is image
    assert grid.pixel_px2 == pytest.approx(1 / 12)


@pytest.mark.parametrize(
    ("channel", "smeared"), [("R", 1 / 12), ("G", 1 / 12 + 1 / 4), ("B", 1 / 12)]
)
def test_radii_of_one_colour_are_those_of_the_light_as_it_fell(channel, smeared):
    # Variances add: light of variance 4 px^2 on pixels 1 px wide, two apart; the two green ones, a
    # diagonal apart, add 1/4 px^2. A Gaussian holds half of its light inside 1.1774 sigma.
    rng = np.random.default_rng(5)
    rows, columns = np.indices((240, 240))
    mosaic = rng.normal(500, 3, rows.shape)
    for x, y in rng.uniform(30, 210, (9, 2)):
        light = np.exp(-((columns - x) ** 2 + (rows - y) ** 2) / (2 * (4 + 1 / 12)))
        mosaic += 3e5 * light / (2 * np.pi * (4 + 1 / 12))
    grid = grid_of(channel, facts("RGGB"), Camera())
    assert grid.pixel_px2 == pytest.approx(smeared / 4)
    found = measure_image(mosaic, gain_e_per_adu=1e3, grid=grid)
    alone = measure_image(grid.pick(mosaic), gain_e_per_adu=1e3).radius.bounded
    radius, bounded = found.radius, found.radius.bounded
    assert radius.radius_px == pytest.approx(2 * 1.1774, rel=0.006)
    assert bounded.radius_px == pytest.approx(2 * alone.radius_px, rel=1e-3)
    more = grid.pixel_px2 - 1 / 12
    assert bounded.pixel_px2 == pytest.approx(4 * (alone.pixel_px2 + more))
    known = measure_image(
        mosaic, gain_e_per_adu=1e3, grid=grid, known=Known(np.array([(30.0, 200.0)]))
    ).stars
    assert_allclose((known.x, known.y), [[30.0], [200.0]])
