"""The sky: noise of a pixel, gradients, hot pixels, gaps."""

import numpy as np
import pytest

from starsize.photometry import measure_image
from starsize.photometry.sky import (
    Sky,
    first_levels,
    full_of_holes,
    gain_from_sky,
    halve,
    noise_sample,
    pixel_noise,
    sky_map,
)

from .fields import SKY, moffat_field, noisy, ring


def test_noise_of_a_pixel_is_found_beside_gradients_and_coarse_steps():
    rng = np.random.default_rng(3)
    image = 500 + np.add.outer(np.arange(400.0), np.arange(500.0)) + rng.normal(0, 10, (400, 500))
    assert pixel_noise(noise_sample(image.astype(np.float32))) == pytest.approx(10, rel=0.05)
    steps = (np.rint(image / 16) * 16).astype(np.float32)
    noise = pixel_noise(noise_sample(steps))
    assert noise == pytest.approx(np.hypot(10, 16 / np.sqrt(12)), rel=0.15)


def test_bright_pixels_above_a_sky_of_two_values_say_nothing_of_the_step():
    rng = np.random.default_rng(5)
    image = (np.rint(rng.normal(500, 3, (400, 500)) / 16) * 16).astype(np.uint16)
    image[rng.integers(0, 400, 40), rng.integers(0, 500, 40)] = 3200
    # Even dither within the step; the steps between the bright pixels gave twenty times that.
    assert pixel_noise(noise_sample(image)) < 16


def test_the_map_follows_a_gradient_of_a_factor_two_under_stars():
    rng = np.random.default_rng(4)
    truth = 500 + 500 * np.linspace(0, 1, 800)[None, :] + np.zeros((600, 1))
    image = (truth + rng.normal(0, 10, truth.shape)).astype(np.float32)
    for y, x in rng.integers(20, 580, (60, 2)):
        image[y - 3 : y + 4, x - 3 : x + 4] += 2000
    binned = halve(halve(image))
    sky = sky_map(binned, 4, 10.0, cell_px=96)
    away = sky.on_grid(binned.shape, 4) - halve(halve(truth.astype(np.float32)))
    assert np.abs(away[12:-12, 12:-12]).max() < 8


@pytest.mark.parametrize("kind", [np.uint16, np.float32])
def test_hot_pixels_go_and_the_sharpest_star_stays(kind):
    image = np.full((40, 40), 500, kind)
    # Alone, in a corner and on the rims, side by side.
    for pixel, high in {
        (10, 10): 9000, (0, 0): 9000, (0, 20): 3000, (17, 0): 9000, (12, 39): 9000,
        (5, 20): 9000, (5, 21): 3000, (12, 20): 3000, (13, 20): 9000, (14, 21): 2000,
    }.items():  # fmt: skip
        image[pixel] = high
    dy, dx = np.mgrid[-4:5, -4:5]
    image[25:34, 25:34] += (8000 * np.exp(-(dx**2 + dy**2) / (2 * 0.6**2))).astype(kind)
    mended, half = first_levels(image, 10.0)
    assert np.all(mended[:20] == 500)
    assert np.array_equal(mended[20:], image[20:])
    assert np.array_equal(half, halve(mended))


def test_gaps_side_by_side_are_no_holes():
    image = np.ones((60, 60), np.float32)
    image[:, :30] = np.nan
    assert not full_of_holes(image)
    image[np.random.default_rng(1).random(image.shape) < 0.2] = np.nan
    assert full_of_holes(image)


def test_the_gain_is_that_of_photon_noise_or_none():
    def sky(level):
        return Sky(np.full((2, 2), level), np.full(2, 48.0), np.full(2, 96.0), 30.0)

    assert gain_from_sky(sky(900.0)) == pytest.approx(1.0)
    assert gain_from_sky(sky(-5.0)) is None


def _gradient(x, y):
    return 500 + 500 * x


def _bowl(x, y):
    # Half of the light is lost in the corners (common practice calls that strong vignetting).
    return 4000 * (1 - 0.25 * ((2 * x - 1) ** 2 + (2 * y - 1) ** 2))


def _fourth_power(x, y):
    # Illumination falls with the fourth power of the cosine of the angle (textbook optics).
    return 3000 * np.cos(np.hypot(x - 0.5, y - 0.5)) ** 4


def _waves(x, y):
    return 900 + 40 * np.sin(9 * x) * np.cos(7 * y)


def _glow(x, y):
    return 900 + 3000 * np.exp(-8 * np.hypot(x - 1, y - 1))


@pytest.mark.parametrize("sky", [_gradient, _bowl, _fourth_power, _waves, _glow])
def test_an_empty_sky_shows_no_stars_whatever_its_slope(sky):
    y, x = np.mgrid[:700, :1000] / np.array([700, 1000]).reshape(2, 1, 1)
    for seed in range(3):
        light = sky(x, y)
        image = light + np.random.default_rng(seed).normal(0, 10, light.shape)
        assert measure_image(image.astype(np.float32)).radius.n_found <= 12


def test_nebula_a_few_cells_long_hardly_changes_a_radius():
    y, x = np.indices((500, 640))
    waves = 30 * np.sin(2 * np.pi * x / 200) * np.sin(2 * np.pi * y / 200)
    off = []
    for seed in (1, 2, 3):
        light, _ = moffat_field(waves.shape, 20, seed, fluxes=np.full(20, 1e4), half_px=2.0)
        radius = measure_image(noisy(light, seed) + waves, gain_e_per_adu=1.0).radius.radius_px
        off.append(abs(radius / 2.0 - 1))
    # Cells twice as wide: 1.2 %.
    assert np.mean(off) < 0.007


@pytest.mark.parametrize("place", [(26.0, 140.0), (150.0, 255.0), (22.0, 22.0)])
def test_a_ring_near_the_rim_does_not_feel_the_slope_of_its_sky(place):
    light = ring((280, 280), *place, 3e5, 15.0)
    slope = SKY / 3 * (np.indices(light.shape).sum(axis=0) / 559 - 0.5)
    flat, risen = (
        measure_image(noisy(light, 3) + more, gain_e_per_adu=1.0).radius for more in (0.0, slope)
    )
    assert abs(risen.radius_px - flat.radius_px) < flat.radius_sigma_px
