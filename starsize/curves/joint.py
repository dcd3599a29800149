"""Fit a batch of sweeps: each alone, then again with what the others say."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..estimate import NOT_KNOWN
from .curve import FocusCurve
from .family import Family
from .gauss_newton import FLAT, Prior
from .mixture import normalised
from .posterior import Batch, Posterior, explain
from .sharing import LEAST_FLOOR_SPREAD, LEAST_SLOPE_SPREAD, Pool, moments, pool, weigh_jitter


@dataclass(frozen=True, slots=True)
class Joint:
    """The fitted batch: mixture, weights (k, c), and what is shared."""

    batch: Batch
    posterior: Posterior
    weight: np.ndarray
    slope: Pool


def make_batch(curves: Sequence[FocusCurve]) -> Batch:
    """Stack curves into padded arrays, positions scaled to -1..1."""
    length = max(c.position_steps.size for c in curves)
    x, y, star = (np.ones((len(curves), length)) for _ in range(3))
    present = np.zeros((len(curves), length))
    middle, half = np.zeros(len(curves)), np.ones(len(curves))
    for row, c in enumerate(curves):
        good = usable_points(c)
        n = c.position_steps.size
        low, high = c.position_steps[good].min(), c.position_steps[good].max()
        middle[row], half[row] = (low + high) / 2, (high - low) / 2
        x[row, :n] = np.where(good, (c.position_steps - middle[row]) / half[row], 0.0)
        y[row, :n] = np.where(good, c.radius_px, 1.0)
        # A star noise of zero or NaN would give a frame all the weight, or none.
        noise = np.where(c.radius_sigma_px > 0, c.radius_sigma_px, 0.0)
        star[row, :n] = np.maximum(noise, 1e-4 * y[row, :n])
        present[row, :n] = good
    return Batch(x, y, star, present, middle, half)


def usable_points(curve: FocusCurve) -> np.ndarray:
    """True where position and radius are finite and the radius is positive."""
    finite = np.isfinite(curve.position_steps) & np.isfinite(curve.radius_px)
    return finite & (curve.radius_px > 0)


def fit_batch(batch: Batch, families: Sequence[Family], *, together: bool = True) -> Joint:
    """Fit each sweep alone, pool what they share, fit again with the others' word."""
    posterior = explain(batch, families)
    weight = normalised(weigh_jitter(posterior, together=together))
    k = batch.x.shape[0]
    if not together or k < 2:
        flat = np.full(k, FLAT)
        none = Pool(np.zeros(k), flat, np.zeros(k, bool), NOT_KNOWN, 0.0)
        return Joint(batch, posterior, weight, none)
    slope, floor = _pools(batch, posterior, weight)
    zero = np.zeros(k)
    prior = Prior(
        np.stack([zero, floor.mean, slope.mean + np.log(batch.half)], axis=1),
        np.stack([zero + FLAT, floor.precision, slope.precision], axis=1),
    )
    posterior = explain(batch, families, prior=prior)
    weight = normalised(weigh_jitter(posterior, together=True))
    return Joint(batch, posterior, weight, slope)


def _pools(batch: Batch, posterior: Posterior, weight: np.ndarray) -> tuple[Pool, Pool]:
    def of(index: int) -> tuple[np.ndarray, np.ndarray]:
        value = posterior.parameters[..., index]
        mean, variance = moments(weight, value, posterior.covariance[..., index, index])
        return mean, np.sqrt(variance)

    centre, centre_sigma = of(0)
    turned = np.abs(centre) + 3 * centre_sigma < 1.2
    slope, slope_sigma = of(2)
    floor, floor_sigma = of(1)
    return (
        pool(
            slope - np.log(batch.half), slope_sigma, least_spread=LEAST_SLOPE_SPREAD, usable=turned
        ),
        pool(floor, floor_sigma, least_spread=LEAST_FLOOR_SPREAD, usable=turned),
    )


def covariance(joint: Joint, sigma: np.ndarray) -> np.ndarray:
    """Joint covariance of best focus in steps squared: (k, k).

    The diagonal is ``sigma`` squared. Two sweeps are tied through the slope they share: each
    moves by its own regression of best focus on ln slope, times the slope's common uncertainty.
    """
    posterior, weight = joint.posterior, joint.weight
    centre, _ = moments(weight, posterior.best, posterior.best_sigma**2)
    slope, slope_variance = moments(
        weight, posterior.parameters[..., 2], posterior.covariance[..., 2, 2]
    )
    apart = (posterior.best - centre[:, None]) * (posterior.parameters[..., 2] - slope[:, None])
    cross = (weight * (posterior.covariance[..., 0, 2] + apart)).sum(axis=-1)
    by_slope = joint.batch.half * cross / slope_variance
    shared = joint.slope.overall.sigma**2 if joint.slope.overall.is_known else 0.0
    tied = np.where(joint.slope.member, by_slope, 0.0)
    # Never more than each one's own variance holds, or the matrix would not be positive.
    tied = np.sign(tied) * np.minimum(np.abs(tied) * np.sqrt(shared), 0.95 * sigma)
    matrix = np.outer(tied, tied)
    matrix[np.diag_indices_from(matrix)] = sigma**2
    return matrix
