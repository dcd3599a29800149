from dataclasses import replace

import numpy as np
import pytest

from starsize.curves import Known, focus_curve
from starsize.curves.night import Q, build_night
from starsize.curves.posterior import best_focus, descend, explain, find
from starsize.curves.statistics import Scatter
from starsize.optics.sizes import star_radii

KNOWN = Known(focal_ratio=6.0, pixel_um=3.76, um_per_step=3.1)
FILTERS = ("L", "R", "G", "B")
#: A doublet of N-BK7 and F2, 600 mm (scripts/precision.py: achromat_f6), micrometres.
FAST_ACHROMAT_UM = np.array([183.0, 3857.0, -359.0])


def night_of(seed):
    """Four sweeps of a fast achromat, the quantities behind them, and radii drawn from these."""
    rng = np.random.default_rng(seed)
    px = KNOWN.blur_px_per_um
    position = np.linspace(-160.0, 160.0, 11)
    # About best focus of each band.
    middle = {"L": 21.0, "R": 39.0, "G": 6.0, "B": 83.0}
    curves = [
        focus_curve(position + middle[f], np.hypot(2.5, 0.05 * position), 0.01, filter=f, id=f)
        for f in FILTERS
    ]
    night = build_night(curves, known=KNOWN, bands={})
    true = night.start.copy()
    true[Q.COLOUR], true[Q.LOG_SPREAD] = FAST_ACHROMAT_UM * px, np.log(0.1)
    true[Q.ZERO], true[Q.FIRST :: 3] = 0.0, 0.0
    true[Q.FIRST + 1 :: 3] = np.log(2.6)
    air = np.exp(true[Q.FIRST + 1] + 0.05 * rng.standard_normal(44))
    radius = star_radii(night.stars, replace(night.state(true), seeing_px=air))
    radius *= 1 + 0.003 * rng.standard_normal(44)
    return replace(night, radius_px=radius, sigma_px=0.003 * radius), true


@pytest.mark.parametrize("seed", [0, 1, 5])
def test_the_search_ends_where_the_true_lens_of_a_fast_achromat_leads(seed):
    """Its blue lies twenty waves out of focus: where no table reaches, descents part by 3."""
    night, true = night_of(seed)
    found = find(night, jitter=0.05, lack=0.004)
    led = descend(night, true, jitter=0.05, lack=0.004, steps=60)
    assert found.cost == pytest.approx(led.cost, abs=0.5)


def test_best_focus_of_a_fast_achromat_is_within_its_sigma():
    pulls = []
    for seed in range(8):
        night, true = night_of(seed)
        posterior = explain(night)
        best, covariance = posterior.moments(posterior.best_steps, posterior.covariance)
        pulls.append((best - best_focus(night, true)[0]) / np.sqrt(np.diag(covariance)))
    assert np.sqrt(np.mean(np.square(pulls))) < 1.4


def scattered(common, sound, exposure):
    return Scatter(
        sound=np.asarray(sound), wild=np.ones(len(sound)), common=np.asarray(common),
        exposure=np.asarray(exposure),
    )  # fmt: skip


def test_normal_equations_are_those_of_the_whole_covariance():
    # Generalised least squares with the covariance written out.
    rng = np.random.default_rng(1)
    exposure = np.array([0, 0, 1, 1, 2])
    common, sound, slopes = rng.random(5), 0.1 + rng.random(5), rng.normal(size=(5, 3))
    miss = rng.normal(size=5)
    whole = np.diag(sound) + np.outer(common, common) * (exposure[:, None] == exposure)
    scatter = scattered(common, sound, exposure)
    normal, pull = scatter.normal_equations(slopes, miss, 1 / sound)
    np.testing.assert_allclose(normal, slopes.T @ np.linalg.inv(whole) @ slopes, rtol=1e-12)
    np.testing.assert_allclose(pull, slopes.T @ np.linalg.inv(whole) @ miss, rtol=1e-12)


def test_precisions_keep_their_digits_where_the_seeing_scatters_far_more_than_the_noise():
    # What moves all entries as the seeing does is known to that scatter and no better: exactly one.
    common = np.array([1.0, 0.7, 0.3])
    scatter = scattered(common, np.full(3, 1e-17), [0, 0, 0])
    normal, pull = scatter.normal_equations(common[:, None], 2 * common, np.full(3, 1e17))
    assert (normal.item(), pull.item()) == (pytest.approx(1, rel=1e-9), pytest.approx(2, rel=1e-9))
