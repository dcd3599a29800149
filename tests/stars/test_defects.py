"""Hot pixels are told from the sharpest stars."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.stars.background import bin_mean
from starsize.stars.defects import find_hot_pixels, mend, mend_binned

from .scenes import draw, fine_star, spread_places

SHAPE = (400, 500)
SKY, NOISE = 500.0, 8.0


def frame(fwhm, rng, n_stars=60):
    places = spread_places(rng, SHAPE, n_stars, gap=20, rim=12)
    star = fine_star(0.0, fwhm_px=fwhm)
    image, drawn = draw(
        SHAPE, places, 10 ** rng.uniform(3, 5, n_stars), star, sky=SKY, noise=NOISE, rng=rng
    )
    return image, drawn


def found_in(image):
    return find_hot_pixels(image, bin_mean(image, 2) - SKY, SKY, NOISE)


@pytest.mark.parametrize("fwhm", [1.3, 2.0, 4.0])
def test_no_star_is_taken_for_a_hot_pixel(fwhm):
    # FWHM 1.3 px with the pixel's own width is a half-flux radius of 0.8 px.
    rng = np.random.default_rng(6)
    image, drawn = frame(fwhm, rng)
    hot = found_in(image)
    near = [
        np.hypot(*(drawn - (c, r)).T).min() < 3 for r, c in zip(hot.rows, hot.columns, strict=True)
    ]
    assert not any(near)


def test_hot_pixels_are_found_and_mended_in_the_frame_and_in_its_binned_copy():
    rng = np.random.default_rng(7)
    image, drawn = frame(3.0, rng)
    rows, columns = rng.integers(10, 390, 80), rng.integers(10, 490, 80)
    alone = np.array(
        [np.hypot(*(drawn - (c, r)).T).min() > 12 for r, c in zip(rows, columns, strict=True)]
    )
    rows, columns = rows[alone], columns[alone]
    clean = image.copy()
    image[rows, columns] += 10 ** rng.uniform(2.3, 4.5, rows.size)
    hot = found_in(image)
    known = set(zip(hot.rows.tolist(), hot.columns.tolist(), strict=True))
    wanted = set(zip(rows.tolist(), columns.tolist(), strict=True))
    assert len(wanted & known) >= 0.98 * len(wanted)
    flat = bin_mean(image, 2)
    mend_binned(flat, image, hot)
    mend(image, hot)
    # A median of eight neighbours differs from the pixel's own value by noise only.
    assert np.abs(image - clean)[hot.rows, hot.columns].max() < 6 * NOISE
    assert_allclose(flat, bin_mean(image, 2), atol=1e-2)


def test_a_steep_sky_has_no_hot_pixels():
    y, x = np.mgrid[:200, :200]
    image = 500.0 + 5.0 * x + 3.0 * y
    assert len(find_hot_pixels(image, bin_mean(image, 2) - 1000.0, 1000.0, 5.0).rows) == 0
