"""Starting values from the data, apart from any fit."""

from typing import NamedTuple

import numpy as np

USUAL_JITTER = 0.08
"""Frame-to-frame scatter of the seeing taken before the data have spoken (common practice)."""

MOST_PAIRS = 120
"""Curves tried for each place of best focus."""


class Guess(NamedTuple):
    """Best focus in steps, floor in pixels, wing slope in pixels per step, misfit of the frames."""

    best_steps: float
    floor_px: float
    slope_px_per_step: float
    misfit: float


def guess_hyperbola(position_steps: np.ndarray, radius_px: np.ndarray) -> Guess:
    """Starting values of a hyperbola that frames far off, be they many, cannot lead astray.

    y^2 = floor^2 + (slope (x - best))^2 goes through any two frames for every place of best focus
    on a fine grid. Where of all these most others lie near, is improved by least squares in which
    large misses count little.

    Parameters
    ----------
    position_steps, radius_px : (n,) arrays, n >= 3

    Raises
    ------
    ValueError
        If there are fewer than three different positions.

    Examples
    --------
    >>> position = np.arange(900.0, 1101.0, 40.0)
    >>> guess = guess_hyperbola(position, np.hypot(2.0, 0.05 * (position - 1010)))
    >>> round(guess.best_steps), round(guess.floor_px, 1), round(guess.slope_px_per_step, 3)
    (1010, 2.0, 0.05)
    """
    x, y = np.asarray(position_steps, float), np.asarray(radius_px, float)
    if np.unique(x).size < 3:
        msg = "'position_steps' must hold at least three different positions"
        raise ValueError(msg)
    low, span, square = x.min(), float(np.ptp(x)), y**2
    place = low + span * np.linspace(-0.25, 1.25, 91)
    away = (x - place[:, None]) ** 2 / span**2
    least = 0.01 * float(np.median(y)) ** 2

    def judged(floor: np.ndarray, rise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Cost of curves at each place, and the weights of their frames."""
        shape = len(place), *(1,) * (floor.ndim - 1), x.size
        model = floor[..., None] + rise[..., None] * away.reshape(shape)
        # y scatters by 3 % in the wings; the seeing scatters the floor by some more.
        spread = 0.03 + USUAL_JITTER * floor[..., None] / model
        cost = np.log1p((np.log(square / model) / spread) ** 2 / 16) + np.log(spread)
        return cost.sum(-1), 1 / ((spread * model) ** 2 + (square - model) ** 2 / 16)

    first, second = np.triu_indices(x.size, 1)
    # Of many frames evenly chosen pairs.
    some = slice(None, None, 1 + first.size // MOST_PAIRS)
    first, second = first[some], second[some]
    apart = away[:, second] - away[:, first]
    rise = (square[second] - square[first]) / np.where(apart == 0, np.inf, apart)
    rise = np.maximum(rise, 1e-3 * least)
    floor = np.maximum(square[first] - rise * away[:, first], least)
    best = np.argmin(judged(floor, rise)[0], axis=1)[:, None]
    floor, rise = (np.take_along_axis(v, best, 1)[:, 0] for v in (floor, rise))
    for _ in range(5):
        weight = judged(floor, rise)[1]
        s0, s1, s2 = weight.sum(1), (weight * away).sum(1), (weight * away**2).sum(1)
        t0, t1 = (weight * square).sum(1), (weight * away * square).sum(1)
        determinant = np.maximum(s0 * s2 - s1**2, 1e-12 * s0 * s2)
        rise = np.maximum((s0 * t1 - s1 * t0) / determinant, 1e-3 * least)
        floor = np.maximum((t0 - rise * s1) / s0, least)
    cost = judged(floor, rise)[0]
    k = int(np.argmin(cost))
    found = place[k], np.sqrt(floor[k]), np.sqrt(rise[k]) / span, cost[k]
    return Guess(*map(float, found))
