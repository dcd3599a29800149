"""Starting values from the data, apart from any fit."""

from typing import NamedTuple

import numpy as np

USUAL_JITTER = 0.08
"""Frame-to-frame scatter of the seeing taken before the data have spoken (common practice)."""

MOST_PAIRS = 120
"""Curves tried for each place of best focus."""


class Guess(NamedTuple):
    """Best focus in steps, floor in pixels, wing slope in pixels per step."""

    best_steps: float
    floor_px: float
    slope_px_per_step: float


def guess_hyperbola(position_steps: np.ndarray, radius_px: np.ndarray) -> Guess:
    """Starting values of a hyperbola: its square is a parabola, solved in closed form.

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
    >>> [round(float(v), 4) for v in guess]
    [1010.0, 2.0, 0.05]
    """
    position, y = np.asarray(position_steps, float), np.asarray(radius_px, float)
    if np.unique(position).size < 3:
        msg = "'position_steps' must hold at least three different positions"
        raise ValueError(msg)
    middle, half = (position.max() + position.min()) / 2, np.ptp(position) / 2
    # sigma(y^2) = 2 y sigma(y), and the seeing moves y by jitter * floor^2 / y: all alike.
    c2, c1, c0 = np.polyfit((position - middle) / half, y * y, 2)
    # A curve that never turns up bends the wrong way: start from a gentle one.
    c2 = max(c2, 0.02 * float(y.min()) ** 2)
    centre = float(np.clip(-c1 / (2 * c2), -2.0, 2.0))
    floor = float(np.clip(c0 - c2 * centre**2, (0.3 * y.min()) ** 2, (1.5 * y.min()) ** 2))
    return Guess(float(middle + half * centre), floor**0.5, float(c2**0.5 / half))


def robust_guess(position_steps: np.ndarray, radius_px: np.ndarray) -> tuple[Guess, float]:
    """Starting values that frames far off, be they many, cannot lead astray, and their misfit.

    y^2 = floor^2 + (slope (x - best))^2 goes through any two frames for every place of best focus
    on a fine grid. Where of all these most others lie near, is improved by least squares in which
    large misses count little.
    """
    x, y = np.asarray(position_steps, float), np.asarray(radius_px, float)
    low, span, square = x.min(), max(float(np.ptp(x)), 1e-9), y**2
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

    first, second = _pairs(x.size)
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
    guess = Guess(float(place[k]), float(np.sqrt(floor[k])), float(np.sqrt(rise[k]) / span))
    return guess, float(cost[k])


def _pairs(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Every two of so many frames; of many frames, evenly chosen ones."""
    first, second = np.triu_indices(count, 1)
    some = slice(None, None, 1 + first.size // MOST_PAIRS)
    return first[some], second[some]
