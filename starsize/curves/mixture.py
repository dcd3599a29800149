"""Quantiles of a mixture of normal distributions, and the Student distribution nearest to it."""

import numpy as np
from scipy.special import ndtr, stdtrit

SIGMA1 = 0.682689492
SIGMA2 = 0.954499736


def below(weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, at: np.ndarray) -> np.ndarray:
    """Probability below each of k places: (k,) of c parts."""
    return ndtr((np.asarray(at, float)[:, None] - mean) / sigma) @ weight


def quantiles(
    weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, at: np.ndarray
) -> np.ndarray:
    """Where the distribution function reaches each of k probabilities: (k,) of c parts."""
    low = np.full(len(at), (mean - 9 * sigma).min())
    high = np.full(len(at), (mean + 9 * sigma).max())
    for _ in range(60):
        middle = (low + high) / 2
        short = below(weight, mean, sigma, at=middle) < at
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return (low + high) / 2


_DOF = np.concatenate([np.linspace(1, 10, 37), np.geomspace(10.5, 500, 40)])
_RATIO = stdtrit(_DOF, 0.5 + SIGMA2 / 2) / stdtrit(_DOF, 0.5 + SIGMA1 / 2)


def matching_dof(half68: float, half95: float) -> float:
    """Degrees of freedom of the Student distribution whose two half-widths stand in that ratio."""
    return float(np.interp(-half95 / half68, -_RATIO, _DOF))
