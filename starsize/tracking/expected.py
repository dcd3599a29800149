"""What the other frames of a sweep lead one to expect of a frame."""

from itertools import combinations

import numpy as np

#: A curve through fewer frames says little of any one of them.
_FEWEST = 6
#: A radius off by this factor is looked at again: seeing and a bent curve do less.
_CONTRADICTS = 1.35
_MOST_TRIPLES = 2000


def expected_radii(position_steps: np.ndarray, radius_px: np.ndarray) -> np.ndarray:
    """Radius of each frame as the smooth curve through most of its sweep has it.

    The square of a half-flux radius is about a parabola in position (floor^2 + (slope x)^2). Of
    those through three frames the one with the least median deviation passes over wrong radii,
    be they nearly half of all (Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871); the frames near it
    are then fitted together.

    Parameters
    ----------
    position_steps, radius_px : (n,) arrays
        NaN where not known.

    Returns
    -------
    (n,) array
        Pixels; NaN where there is nothing to go by.
    """
    known = np.isfinite(position_steps) & np.isfinite(radius_px) & (radius_px > 0)
    if known.sum() < _FEWEST:
        return np.full(len(radius_px), np.nan)
    middle, width = np.mean(position_steps[known]), np.ptp(position_steps[known]) or 1.0
    terms = np.vander((position_steps - middle) / width, 3)
    x, y = terms[known], radius_px[known] ** 2
    triples = np.array(list(combinations(range(len(y)), 3)))
    triples = triples[:: 1 + len(triples) // _MOST_TRIPLES]
    solvable = np.abs(np.linalg.det(x[triples])) > 1e-6
    if not solvable.any():
        return np.full(len(radius_px), np.median(radius_px[known]))
    curves = np.linalg.solve(x[triples[solvable]], y[triples[solvable]][..., None])[..., 0]
    least = 0.25 * y.min()
    off = np.abs(np.log(np.maximum(curves @ x.T, least) / y))
    near = off[np.median(off, axis=1).argmin()] < 2 * np.log(_CONTRADICTS)
    fitted = np.linalg.lstsq(x[near] / y[near, None], np.ones(near.sum()), rcond=None)[0]
    return np.sqrt(np.maximum(terms @ fitted, least))


def contradicts(radius_px: np.ndarray, expected_px: np.ndarray) -> np.ndarray:
    """True for a frame without a radius, or with one that is far from what is expected of it."""
    with np.errstate(invalid="ignore"):
        near = np.abs(np.log(radius_px / expected_px)) < np.log(_CONTRADICTS)
    return np.isfinite(expected_px) & ~near
