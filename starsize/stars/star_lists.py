"""Small helpers over lists of stars: nearest neighbours, weighted medians."""

import numpy as np
from scipy.spatial import cKDTree


def nearest(
    among: np.ndarray, places: np.ndarray, *, reach: float = np.inf
) -> tuple[np.ndarray, np.ndarray]:
    """Distance to, and index of, the nearest of ``among`` for each of ``places``.

    Infinite distance, and an index one past the end, where none lies within ``reach``.
    """
    gap, index = cKDTree(among).query(places, distance_upper_bound=reach)
    return np.atleast_1d(np.asarray(gap)), np.atleast_1d(np.asarray(index))


def nearest_others(places: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Distances to, and indices of, the ``count`` nearest other places; each (n, count)."""
    gap, index = cKDTree(places).query(places, count + 1)
    return np.asarray(gap)[:, 1:], np.asarray(index)[:, 1:]


def weighted_median(values: np.ndarray, weight: np.ndarray) -> float:
    """The value up to which half of the weight lies.

    Examples
    --------
    >>> weighted_median(np.array([5.0, 1.0, 9.0]), np.array([1.0, 1.0, 5.0]))
    9.0
    """
    order = np.argsort(values)
    cumulative = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(cumulative, 0.5 * cumulative[-1])])
