"""Nearest neighbours among places, as plain arrays."""

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
