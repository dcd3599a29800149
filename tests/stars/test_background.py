"""The sky map: smooth skies recovered under stars and large discs."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.stars.background import bin_mean, estimate_sky, pixel_noise

from .scenes import draw, fine_star, spread_places

SHAPE = (640, 900)


@pytest.mark.parametrize("factor", [1, 2, 4, 8])
@pytest.mark.parametrize("dtype", [np.uint16, np.float32])
def test_binning_equals_the_mean_of_blocks(factor, dtype):
    image = np.random.default_rng(2).integers(0, 60000, (83, 101)).astype(dtype)
    ny, nx = 83 // factor, 101 // factor
    blocks = image[: ny * factor, : nx * factor].astype(float).reshape(ny, factor, nx, factor)
    assert_allclose(bin_mean(image, factor), blocks.mean(axis=(1, 3)), rtol=1e-6)


def test_the_noise_of_a_pixel_is_found_among_stars_and_slopes():
    rng = np.random.default_rng(3)
    places = spread_places(rng, SHAPE, 40, gap=25, rim=10)
    image, _ = draw(SHAPE, places, np.full(40, 2e4), fine_star(3.0), noise=9.0, rng=rng)
    image += np.linspace(0, 400, SHAPE[1])
    # 36 rows or more of 900 pixels: 0.4 % for the noise itself, the rest is light of stars.
    assert_allclose(pixel_noise(image), 9.0, rtol=0.02)


def vignetted(shape):
    y, x = np.mgrid[: shape[0], : shape[1]]
    r2 = ((x - shape[1] / 2) ** 2 + (y - shape[0] / 2) ** 2) / (shape[1] / 2) ** 2
    return 900 * (1 - 0.25 * r2) + 0.1 * x


@pytest.mark.parametrize("disc", [0.0, 12.0, 28.0])
def test_gradient_and_vignetting_are_followed_under_stars_of_any_size(disc):
    rng = np.random.default_rng(4)
    shape = (1200, 1600)
    places = spread_places(rng, shape, 50, gap=60, rim=0)
    image, _ = draw(shape, places, 10 ** rng.uniform(4, 5.5, 50), fine_star(disc), sky=0.0)
    truth = vignetted(shape)
    image += truth + rng.normal(0, 10, shape)
    sky = estimate_sky(bin_mean(image, 4), 4, 10.0)
    y, x = np.mgrid[100:1100:100, 100:1500:100]
    error = sky.at(x.ravel(), y.ravel()) - truth[y, x].ravel()
    # The bowl falls by a quarter within 800 px, some ten times as steeply as in a large frame:
    # straight lines between cells 128 px apart lie up to 3 ADU off it, a third of the noise.
    assert abs(np.median(error)) < 3.0
    assert np.quantile(np.abs(error), 0.95) < 6.0


def test_the_map_on_a_binned_grid_equals_the_map_at_places():
    image = vignetted(SHAPE) + np.random.default_rng(5).normal(0, 10, SHAPE)
    sky = estimate_sky(bin_mean(image, 2), 2, 10.0)
    grid = sky.on_grid((320, 450), 2)
    y, x = np.mgrid[3:320:40, 5:450:40]
    assert_allclose(grid[y, x], sky.at((x + 0.5) * 2 - 0.5, (y + 0.5) * 2 - 0.5), rtol=1e-5)


def test_a_frame_without_any_value_has_a_sky_of_zero():
    sky = estimate_sky(np.full((64, 64), np.nan, np.float32), 2, 1.0)
    assert sky.level == 0.0
