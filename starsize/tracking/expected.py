"""What the other frames of a sweep lead one to expect of a frame."""

import numpy as np

#: A curve through fewer frames says little of any one of them.
_FEWEST = 6
#: A radius off by this factor is looked at again: seeing and a bent curve do less.
_CONTRADICTS = 1.35
_ROUNDS = 30


def expected_radii(position_steps: np.ndarray, radius_px: np.ndarray) -> np.ndarray:
    """Radius of each frame as the smooth curve through most of its sweep has it.

    The square of a half-flux radius is about a parabola in position (floor^2 + (slope x)^2). The
    one with the least sum of relative deviations passes over a minority of wrong radii.

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
    relative = terms[known] / radius_px[known, None] ** 2
    weight = np.ones(known.sum())
    for _ in range(_ROUNDS):
        root = np.sqrt(weight)
        found = np.linalg.lstsq(relative * root[:, None], root, rcond=None)[0]
        weight = 1 / np.maximum(np.abs(relative @ found - 1), 1e-3)
    least = 0.5 * np.min(radius_px[known])
    return np.sqrt(np.maximum(terms @ found, least**2))


def contradicts(radius_px: np.ndarray, expected_px: np.ndarray) -> np.ndarray:
    """True for a frame without a radius, or with one that is far from what is expected of it."""
    with np.errstate(invalid="ignore"):
        near = np.abs(np.log(radius_px / expected_px)) < np.log(_CONTRADICTS)
    return np.isfinite(expected_px) & ~near
