"""Middle, spread and intervals of a mixture of normal distributions, in batches."""

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import t as student

SIGMA1 = 0.682689492
SIGMA2 = 0.954499736
NEWTON, HALVINGS = 12, 44


def quantile(
    weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, probability: float
) -> np.ndarray:
    """Where the mixture's distribution function reaches ``probability``: (..., c) to (...)."""
    low = (mean - 9 * sigma).min(axis=-1)
    high = (mean + 9 * sigma).max(axis=-1)
    middle = (weight * mean).sum(axis=-1)
    spread = np.sqrt((weight * (sigma**2 + (mean - middle[..., None]) ** 2)).sum(axis=-1))
    middle = np.clip(middle + ndtri(probability) * spread, low, high)
    for turn in range(NEWTON + HALVINGS):
        z = (middle[..., None] - mean) / sigma
        missing = probability - (weight * ndtr(z)).sum(axis=-1)
        density = (weight / sigma * np.exp(-0.5 * z * z)).sum(axis=-1) / np.sqrt(2 * np.pi)
        if np.abs(missing).max() < 1e-9:
            break
        low = np.where(missing > 0, middle, low)
        high = np.where(missing > 0, high, middle)
        # Newton; halving where it would leave what is known or, between far parts, never arrives.
        newton = middle + missing / np.maximum(density, 1e-300)
        good = (newton > low) & (newton < high) & (turn < NEWTON)
        middle = np.where(good, newton, (low + high) / 2)
    return middle


def outside(
    weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, low: float, high: float
) -> tuple[np.ndarray, np.ndarray]:
    """Probabilities below ``low`` and above ``high``: (..., c) to (...)."""
    below = (weight * ndtr((low - mean) / sigma)).sum(axis=-1)
    return below, (weight * ndtr((mean - high) / sigma)).sum(axis=-1)


def central_interval(
    weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, coverage: float
) -> tuple[np.ndarray, np.ndarray]:
    """Interval with equal tails outside."""
    tail = (1 - coverage) / 2
    return (
        quantile(weight, mean, sigma, probability=tail),
        quantile(weight, mean, sigma, probability=1 - tail),
    )


_DOF = np.concatenate([np.linspace(1, 10, 37), np.geomspace(10.5, 500, 40)])
_RATIO = student.ppf(0.5 + SIGMA2 / 2, _DOF) / student.ppf(0.5 + SIGMA1 / 2, _DOF)


def matching_dof(half68: np.ndarray, half95: np.ndarray) -> np.ndarray:
    """Degrees of freedom of the Student distribution whose two half-widths stand in that ratio."""
    ratio = np.asarray(half95) / np.asarray(half68)
    return np.interp(-ratio, -_RATIO, _DOF)
