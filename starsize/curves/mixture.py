"""Mean, spread and intervals of a mixture of normal distributions, in batches."""

import numpy as np
from scipy.special import ndtr
from scipy.stats import t as student

SIGMA1 = 0.682689492
SIGMA2 = 0.954499736


def normalised(log_weight: np.ndarray) -> np.ndarray:
    """Weights that add to one over the last axis."""
    weight = np.exp(log_weight - log_weight.max(axis=-1, keepdims=True))
    return weight / weight.sum(axis=-1, keepdims=True)


def quantile(
    weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, probability: float
) -> np.ndarray:
    """Where the mixture's distribution function reaches ``probability``: (..., c) to (...)."""
    low = (mean - 9 * sigma).min(axis=-1)
    high = (mean + 9 * sigma).max(axis=-1)
    for _ in range(44):
        middle = (low + high) / 2
        below = (weight * ndtr((middle[..., None] - mean) / sigma)).sum(axis=-1)
        low = np.where(below < probability, middle, low)
        high = np.where(below < probability, high, middle)
    return (low + high) / 2


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
