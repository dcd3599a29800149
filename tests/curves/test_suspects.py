"""Frames that a cloud, a gust or a trail has spoiled."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import lognorm, norm

from starsize.curves import fit_curve
from starsize.curves.gauss_newton import Solution
from starsize.curves.guess import parabola
from starsize.curves.joint import make_batch, usable_points
from starsize.curves.suspects import MISFIT, _likely_pair
from starsize.curves.wrecks import (
    WRECK_ANYHOW,
    WRECK_SCATTER,
    WRECK_SPREAD,
    WRECK_WIDENS,
    _log_size,
)

from .helpers import sweep


def spoiled(curve, frames, factor=1.5):
    radius = curve.radius_px.copy()
    radius[list(frames)] *= factor
    return replace(curve, radius_px=radius)


def alone(curve):
    return make_batch([curve], [usable_points(curve)])


@pytest.mark.parametrize("frames", [(0, 1), (0, 10), (2, 3), (7, 8), (9, 10), (1, 8)])
def test_two_spoiled_frames_are_set_aside_together(frames):
    """Neither of two neighbours, nor of both ends, looks odd while the other is believed."""
    for seed in range(4):
        clean = sweep(best=1007, positions=11, half=200.0, seed=seed)
        fit = fit_curve(spoiled(clean, frames))
        assert not fit.used[list(frames)].any()
        assert fit.used.sum() >= 8
        assert abs(fit.best_steps - 1007) < 3.5 * fit.best_sigma_steps
        assert fit.best_sigma_steps < 2.5 * fit_curve(clean).best_sigma_steps


def test_a_cloud_over_three_frames_is_set_aside():
    for seed in range(4):
        clean = sweep(best=1007, positions=13, half=200.0, seed=seed)
        fit = fit_curve(spoiled(clean, (2, 3, 4), 1.6))
        assert not fit.used[2:5].any()
        assert abs(fit.best_steps - 1007) < 3.5 * fit.best_sigma_steps


def test_leaving_out_two_frames_in_one_step_agrees_with_refits():
    """Against numpy's least squares, every pair fitted afresh."""
    batch = alone(spoiled(sweep(positions=9, seed=3), (6, 7)))
    star = np.hypot(batch.star, MISFIT * batch.y)
    basis, weight = parabola(batch.x, batch.y, star, batch.present)
    root = np.sqrt(weight[0])
    left = {}
    for pair in combinations(range(9), 2):
        kept = np.delete(np.arange(9), pair)
        design, target = (basis[0] * root[:, None])[kept], (root * batch.y[0] ** 2)[kept]
        left[pair] = np.linalg.lstsq(design, target)[1][0]
    assert min(left, key=left.get) == (6, 7)
    pair, worth = _likely_pair(batch)
    assert_array_equal(np.flatnonzero(pair[0]), [6, 7])
    assert worth[0]


def test_no_pair_is_suspected_where_too_few_frames_would_be_left():
    pair, worth = _likely_pair(alone(spoiled(sweep(positions=6), (0, 1))))
    assert not pair.any()
    assert not worth.any()


@pytest.mark.parametrize("factor", [0.7, 1.2, 1.5, 2.5])
def test_size_of_a_suspect_is_weighed_by_what_wrecks_do(factor):
    """Densities of SciPy; a curve known exactly and a frame without noise."""
    batch = alone(sweep(positions=7))
    predicted = batch.y[0, 2] / factor
    wild = WRECK_SCATTER * max(predicted, batch.y[0, 2])
    residual, variance = np.zeros((1, 1, 1, 7)), np.ones((1, 1, 1, 7))
    residual[..., 2], variance[..., 2] = batch.y[0, 2] - predicted, wild**2
    nothing = np.zeros((1, 1, 1))
    solution = Solution(nothing, nothing, nothing, nothing, residual, variance, 0 * residual)
    suspects = np.zeros((1, 1, 1, 7), bool)
    suspects[..., 2] = True
    widened = lognorm.pdf(batch.y[0, 2], WRECK_SPREAD, scale=WRECK_WIDENS * predicted)
    anyhow = norm.pdf(batch.y[0, 2], predicted, wild)
    expected = np.log(((1 - WRECK_ANYHOW) * widened + WRECK_ANYHOW * anyhow) / anyhow)
    assert_allclose(_log_size(batch, solution, suspects), [[[expected]]], rtol=1e-6)
