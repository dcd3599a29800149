"""Fit a batch of sweeps: each alone, then again with what the others say."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .asymmetry import add_asymmetric
from .batch import Batch
from .curve import FocusCurve
from .family import Family
from .gauss_newton import FLAT, Prior
from .mixture import normalised
from .posterior import Posterior, explain, no_prior
from .shake import find_shake
from .sharing import (
    LEAST_DROOP_SPREAD,
    LEAST_FLOOR_SPREAD,
    LEAST_SLOPE_SPREAD,
    Pool,
    droop_alone,
    moments,
    nothing_shared,
    pool,
    shared_shape,
    weigh_jitter,
)

COMPANY = 3
"""Other sweeps that tell slope and seeing well enough to make up for a frame lost or wrecked."""
SWEEPS_FOR_SHAKE = 3
FRAMES_FOR_SHAKE = 7
"""Sweeps, and frames in each on average, that can tell the focuser's scatter from star noise."""
DISAGREE_ODDS = 0.02
"""Chance that a plain sweep has a wing slope of its own (another reducer, a slipping motor)."""


@dataclass(frozen=True, slots=True)
class Joint:
    """The fitted batch: mixture, weights (k, c), and what is shared."""

    batch: Batch
    families: tuple[Family, ...]
    posterior: Posterior
    weight: np.ndarray
    slope: Pool


def make_batch(curves: Sequence[FocusCurve], used: Sequence[np.ndarray]) -> Batch:
    """Stack curves into padded arrays, positions scaled to -1..1.

    ``used`` says per curve which frames take part, (n,) bool.
    """
    length = max(c.position_steps.size for c in curves)
    x, y, star = (np.ones((len(curves), length)) for _ in range(3))
    present = np.zeros((len(curves), length))
    middle, half = np.zeros(len(curves)), np.ones(len(curves))
    for row, c in enumerate(curves):
        good = used[row]
        n = c.position_steps.size
        low, high = c.position_steps[good].min(), c.position_steps[good].max()
        middle[row], half[row] = (low + high) / 2, (high - low) / 2
        x[row, :n] = np.where(good, (c.position_steps - middle[row]) / half[row], 0.0)
        y[row, :n] = np.where(good, c.radius_px, 1.0)
        # A star noise of zero or NaN would give a frame all the weight, or none.
        noise = np.where(c.radius_sigma_px > 0, c.radius_sigma_px, 0.0)
        star[row, :n] = np.maximum(noise, 1e-4 * y[row, :n])
        present[row, :n] = good
    return Batch(x, y, star, present, middle, half, np.zeros(len(curves)))


def usable_points(curve: FocusCurve) -> np.ndarray:
    """True where position and radius are finite and the radius is positive."""
    finite = np.isfinite(curve.position_steps) & np.isfinite(curve.radius_px)
    return finite & (curve.radius_px > 0)


def fit_batch(
    batch: Batch,
    families: Sequence[Family],
    *,
    odd: tuple[Family, Family] | None = None,
    together: bool = True,
) -> Joint:
    """Fit each sweep alone, pool what they share, fit again with the others' word.

    Parameters
    ----------
    families : sequence of Family
        Symmetric curves.
    odd : (tilted, band), optional
        Asymmetric curves, where they are wanted.
    together : bool
        False: the sweeps have nothing to do with each other.
    """
    k = batch.x.shape[0]
    prior = tight = no_prior(batch)
    slope = floor = nothing_shared(k)
    posterior = explain(batch, families, prior=prior)
    if together and k > 1:
        weight = normalised(weigh_jitter(posterior, together=True))
        shape = shared_shape(posterior, np.log(weight + 1e-300), families)
        slope, floor, droop = _pools(batch, posterior, weight, families[0])
        prior = _prior(batch, floor, droop, slope=(slope.mean, slope.precision))
        # A coloured lens bends the curve of one filter until even its slope looks wrong.
        tight = _prior(batch, floor, droop, slope=(slope.mean, slope.tight))
        if k >= SWEEPS_FOR_SHAKE and batch.present.sum(axis=1).mean() >= FRAMES_FOR_SHAKE:
            batch = replace(batch, shake=find_shake(batch, posterior, families[0], prior))
        posterior = explain(batch, families, prior=prior)
        posterior = replace(posterior, log_weight=posterior.log_weight + shape[:, posterior.family])
    listed = tuple(families)
    if odd is not None:
        found = add_asymmetric(
            batch,
            posterior,
            families,
            odd=odd,
            prior=tight,
            penalty=np.where(slope.overall.is_known & ~slope.member, np.log(DISAGREE_ODDS), 0.0),
            floor_spread=floor.scatter if together and k > 2 else None,
            together=together,
        )
        posterior, listed = found.posterior, found.families
    weight = normalised(weigh_jitter(posterior, together=together))
    return Joint(batch, listed, posterior, weight, slope)


def _prior(
    batch: Batch, floor: Pool, droop: Pool, *, slope: tuple[np.ndarray, np.ndarray]
) -> Prior:
    zero = np.zeros(batch.half.size)
    mean, precision = slope
    return Prior(
        np.stack([zero, floor.mean, mean + np.log(batch.half), droop.mean], axis=1),
        np.stack([zero + FLAT, floor.precision, precision, droop.precision], axis=1),
    )


def _pools(
    batch: Batch, posterior: Posterior, weight: np.ndarray, leading: Family
) -> tuple[Pool, Pool, Pool]:
    """Slope, floor and droop as the sweeps share them."""

    def of(index: int) -> tuple[np.ndarray, np.ndarray]:
        value = posterior.parameters[..., index]
        mean, variance = moments(weight, value, posterior.covariance[..., index, index])
        return mean, np.sqrt(variance)

    centre, centre_sigma = of(0)
    turned = np.abs(centre) + 3 * centre_sigma < 1.2
    slope, slope_sigma = of(2)
    floor, floor_sigma = of(1)
    droop = nothing_shared(batch.half.size)
    if leading.droop > 0:
        value, sigma, tells = droop_alone(posterior, weight, leading)
        droop = pool(value, sigma, least_spread=LEAST_DROOP_SPREAD, usable=turned & tells)
    return (
        pool(
            slope - np.log(batch.half), slope_sigma, least_spread=LEAST_SLOPE_SPREAD, usable=turned
        ),
        pool(floor, floor_sigma, least_spread=LEAST_FLOOR_SPREAD, usable=turned),
        droop,
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
