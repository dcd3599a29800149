"""A field whose stars grow by 2 % from edge to edge: each star's own radius tells it."""

import numpy as np
import pytest

from starsize.tracking import measure_sweeps

from .scenes import draw, fine_star, spread_places, write_sweep

SHAPE = (600, 900)
TILT = 0.02


def slope_of(x, radius, sigma):
    """Growth over the width of the frame by weighted least squares, and its uncertainty."""
    u = x / SHAPE[1] - 0.5
    a = np.stack([np.ones_like(u), u], 1) / sigma[:, None]
    covariance = np.linalg.inv(a.T @ a)
    fit = covariance @ (a.T @ (radius / sigma))
    return fit[1] / fit[0], np.sqrt(covariance[1, 1]) / fit[0]


@pytest.mark.parametrize("n_stars", [60, 300])
def test_a_tilt_of_two_per_cent_comes_out_right_within_its_uncertainty(tmp_path, n_stars):
    rng = np.random.default_rng(n_stars)
    places = spread_places(rng, SHAPE, n_stars, gap=24, rim=15)
    flux = 10 ** rng.uniform(4.2, 5.3, n_stars)
    images = []
    for k in range(4):
        image = np.full(SHAPE, 800.0)
        for place, light in zip(places + 3 * k, flux, strict=True):
            star = fine_star(0, fwhm_px=3.4 * (1 + TILT * (place[0] / SHAPE[1] - 0.5)), half=18)
            image += draw(SHAPE, [place], [light], star)[0] - 800
        images.append(image + rng.normal(0, np.sqrt(100 + image - 800)))
    sweep = write_sweep(tmp_path, images, positions=[1.0, 2.0, 3.0, 4.0], gain_e_per_adu=1.0)
    (measured,) = measure_sweeps([sweep])
    tracks = measured.tracks
    pulls = []
    for j in range(4):
        good = tracks.flags[:, j] == 0
        assert good.sum() > 0.6 * n_stars
        found, error = slope_of(
            tracks.x_px[good], tracks.radius_px[good, j], tracks.radius_sigma_px[good, j]
        )
        pulls.append((found - TILT) / error)
        assert error < 0.3 * TILT
    # Four frames of independent noise: 95 % of such sums of squares are below 9.5 (chi squared).
    assert np.square(pulls).sum() < 9.5
