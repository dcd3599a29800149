"""One radius for a frame from the radii of its stars: the same stars, wherever they are missing."""

from dataclasses import dataclass

import numpy as np

_ROUNDS = 60
_TUKEY = 4.685


@dataclass(frozen=True, slots=True, eq=False)
class Combined:
    """Radius of each frame and what stands behind it.

    Attributes
    ----------
    radius, sigma : (n_frames,) arrays
        Pixels; NaN where a frame has no usable star.
    n_stars : (n_frames,) int array
    outlier : (n_stars, n_frames) bool array
        True where a star's radius was given no weight.
    """

    radius: np.ndarray
    sigma: np.ndarray
    n_stars: np.ndarray
    outlier: np.ndarray


def combine_stars(radius: np.ndarray, sigma: np.ndarray, usable: np.ndarray) -> Combined:
    """Separate the radius of each frame from the lasting peculiarity of each star.

    The logarithm of a radius is the sum of a frame's part, a star's part (its place in the field,
    its colour) and noise. Both parts are fitted together, robustly, so that a star missing from
    some frames does not pull them.

    Parameters
    ----------
    radius, sigma : (n_stars, n_frames) arrays
        Half-flux radii and their uncertainties, pixels.
    usable : (n_stars, n_frames) bool array

    Returns
    -------
    Combined
    """
    usable = usable & np.isfinite(radius) & np.isfinite(sigma) & (radius > 0) & (sigma > 0)
    y = np.log(np.where(usable, radius, 1.0))
    variance = np.where(usable, (sigma / np.where(usable, radius, 1.0)) ** 2, 1.0)
    extra = 0.0
    robust = np.ones_like(y)
    star = np.zeros(len(y))
    frame = np.zeros(y.shape[1])
    for round_ in range(_ROUNDS):
        weight = np.where(usable, robust / (variance + extra), 0.0)
        frame = _mean(weight, y - star[:, None], 0)
        star = np.nan_to_num(_mean(weight, y - frame, 1))
        strength = weight.sum(axis=1)
        star = star - (strength * star).sum() / max(strength.sum(), 1e-300)
        rest = np.where(usable, y - star[:, None] - np.nan_to_num(frame), 0.0)
        if round_ % 3 == 2:
            pull = np.abs(rest) / np.sqrt(variance + extra)
            robust = np.where(pull < _TUKEY, (1 - (pull / _TUKEY) ** 2) ** 2, 0.0)
            extra = _extra_variance(rest, variance, usable & (pull < _TUKEY))
    weight = np.where(usable, robust / (variance + extra), 0.0)
    total = weight.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(total > 0, np.exp(frame), np.nan)
        # A star alone in its frame counts its own noise; weights already hold the extra scatter.
        error = np.where(total > 0, value / np.sqrt(total), np.nan)
    return Combined(value, error, (weight > 0).sum(axis=0), usable & (robust == 0))


def _mean(weight: np.ndarray, value: np.ndarray, axis: int) -> np.ndarray:
    total = weight.sum(axis=axis)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total > 0, (weight * value).sum(axis=axis) / total, np.nan)


def _extra_variance(rest: np.ndarray, variance: np.ndarray, usable: np.ndarray) -> float:
    """Scatter between stars beyond their own noise (moments), at least zero."""
    if usable.sum() < 5:
        return 0.0
    n_free = max(1, usable.sum() - (usable.any(axis=0).sum() + usable.any(axis=1).sum()))
    return max(0.0, float(((rest**2 - variance)[usable]).sum() / n_free))
