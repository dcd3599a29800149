"""Residuals and the band of a curve, against draws of the same sweep."""

from functools import lru_cache

import numpy as np

from starsize.curves import fit_curve, focus_curve, radius_at
from starsize.curves.fitted import curve_sigma_px, residual_sigmas

POSITION = np.arange(900.0, 1101.0, 20.0)


@lru_cache
def drawn(seed, noise=0.01):
    rng = np.random.default_rng(seed)
    truth = np.hypot(2.0, 0.06 * (POSITION - 1003))
    radius = truth * (1 + noise * rng.standard_normal(POSITION.size))
    return fit_curve(focus_curve(POSITION, radius, noise * truth)), truth


def test_residuals_count_in_their_own_uncertainty():
    left = np.concatenate([residual_sigmas(drawn(seed)[0]) for seed in range(5)])
    # 55 of them, less what the fits take up; they scatter by about one.
    assert 0.5 < np.std(left) < 1.2


def test_a_wild_frame_stands_out():
    radius = np.hypot(2.0, 0.06 * (POSITION - 1003))
    radius[8] *= 1.4
    left = residual_sigmas(fit_curve(focus_curve(POSITION, radius, 0.01 * radius)))
    assert np.argmax(np.abs(left)) == 8
    assert left[8] > 5


def test_the_band_holds_the_true_curve_as_often_as_it_says():
    pull = []
    for seed in range(5):
        fit, truth = drawn(seed)
        pull.append((radius_at(fit, POSITION) - truth) / curve_sigma_px(fit, POSITION))
    assert 0.4 < np.sqrt(np.mean(np.square(pull))) < 1.4


def test_a_refused_sweep_has_neither():
    fit = fit_curve(focus_curve(POSITION[:3], np.array([2.0, 2.1, 2.2]), 0.01))
    assert np.isnan(residual_sigmas(fit)).all()
    assert np.isnan(curve_sigma_px(fit, POSITION)).all()
