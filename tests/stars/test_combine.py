"""One radius a frame from many stars, some of them missing."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.stars import combine_stars

FRAMES = np.array([8.0, 5.0, 3.0, 2.2, 3.1, 5.2, 8.1])


def stars(rng, n=60, noise=0.02, peculiar=0.05):
    own = np.exp(rng.normal(0, peculiar, n))
    own /= np.exp(np.mean(np.log(own)))
    sigma = noise * own[:, None] * FRAMES * np.exp(rng.normal(0, 0.5, (n, 1)))
    radius = own[:, None] * FRAMES + rng.normal(size=(n, FRAMES.size)) * sigma
    return radius, sigma


def test_frames_are_recovered_with_true_uncertainty():
    pulls = []
    for seed in range(60):
        radius, sigma = stars(np.random.default_rng(seed), peculiar=0.0)
        combined = combine_stars(radius, sigma, np.ones_like(radius, bool))
        pulls.append((combined.radius - FRAMES) / combined.sigma)
    # 420 pulls: their spread is known to 3.5 %; three times that.
    assert_allclose(np.std(pulls), 1.0, atol=0.12)
    assert abs(np.mean(pulls)) < 0.2


def test_stars_missing_at_the_ends_do_not_bend_the_curve():
    rng = np.random.default_rng(12)
    radius, sigma = stars(rng, n=200, noise=0.005, peculiar=0.08)
    usable = np.ones_like(radius, bool)
    # The larger half of the stars sinks below detection out of focus.
    larger = radius[:, 3] > np.median(radius[:, 3])
    usable[np.ix_(larger, [0, 1, 5, 6])] = False
    full = combine_stars(radius, sigma, np.ones_like(usable)).radius
    part = combine_stars(radius, sigma, usable).radius
    naive = np.array([np.median(radius[usable[:, j], j]) for j in range(FRAMES.size)])
    assert_allclose(part / part[3], full / full[3], rtol=0.003)
    # The check can fail: without following the stars the ends are off by per cents.
    assert np.max(np.abs(naive / naive[3] / (full / full[3]) - 1)) > 0.02


def test_a_wrecked_star_is_put_aside_and_named():
    radius, sigma = stars(np.random.default_rng(13), peculiar=0.0)
    radius[4, 2] *= 1.6
    combined = combine_stars(radius, sigma, np.ones_like(radius, bool))
    assert combined.outlier[4, 2]
    assert combined.outlier.sum() <= 3
    assert_allclose(combined.radius, FRAMES, rtol=0.01)


def test_a_frame_without_stars_has_no_radius():
    radius, sigma = stars(np.random.default_rng(14))
    usable = np.ones_like(radius, bool)
    usable[:, 5] = False
    combined = combine_stars(radius, sigma, usable)
    assert np.isnan(combined.radius[5])
    assert combined.n_stars[5] == 0
    assert np.isfinite(np.delete(combined.radius, 5)).all()


@pytest.mark.parametrize("value", [np.nan, 0.0, -1.0])
def test_senseless_radii_are_left_out(value):
    radius, sigma = stars(np.random.default_rng(15))
    radius[7, 1] = value
    combined = combine_stars(radius, sigma, np.ones_like(radius, bool))
    assert combined.n_stars[1] <= 59
    assert np.isfinite(combined.radius).all()


def test_one_star_speaks_for_its_frame():
    combined = combine_stars(np.array([[3.0]]), np.array([[0.1]]), np.array([[True]]))
    assert_allclose([combined.radius[0], combined.sigma[0]], [3.0, 0.1], rtol=1e-6)
