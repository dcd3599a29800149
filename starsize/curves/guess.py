"""Starting values from the data, apart from any fit."""

from typing import NamedTuple

import numpy as np

USUAL_JITTER = 0.08
"""Frame-to-frame scatter of the seeing taken before the data have spoken (common practice)."""


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


def robust_guess(position_steps: np.ndarray, radius_px: np.ndarray) -> Guess:
    """Starting values that a few frames far off cannot lead astray.

    Every place on a fine grid, with the floor and slope whose misses, shrunk where they are large,
    are least: y^2 = floor^2 + (slope (x - best))^2 is linear in the squares of floor and slope.
    """
    x, y = np.asarray(position_steps, float), np.asarray(radius_px, float)
    low, span = x.min(), max(float(np.ptp(x)), 1e-9)
    place = low + span * np.linspace(-0.25, 1.25, 91)
    away = (x - place[:, None]) ** 2 / span**2
    usual = float(np.median(y)) ** 2
    # One frame alone may be wrecked and small: no star is half as large as the second smallest.
    least = (0.6 * float(np.sort(y)[1])) ** 2
    square = np.broadcast_to(y**2, away.shape)
    weight = 1 / np.maximum(square, 0.1 * usual) ** 2
    for _ in range(10):
        s0, s1, s2 = weight.sum(1), (weight * away).sum(1), (weight * away**2).sum(1)
        t0, t1 = (weight * y**2).sum(1), (weight * away * y**2).sum(1)
        determinant = np.maximum(s0 * s2 - s1**2, 1e-12 * s0 * s2)
        rise = np.maximum((s0 * t1 - s1 * t0) / determinant, 1e-4 * usual)
        floor = np.maximum((t0 - rise * s1) / s0, least)
        model = floor[:, None] + rise[:, None] * away
        # y scatters by 3 % in the wings; the seeing scatters the floor by some more.
        spread = 2 * model * (0.03 + USUAL_JITTER * floor[:, None] / model)
        miss = ((square - model) / spread) ** 2
        weight = 1 / spread**2 / (1 + miss / 4)
    k = int(np.argmin((np.log1p(miss / 4) + np.log(spread / model)).sum(1)))
    return Guess(float(place[k]), float(np.sqrt(floor[k])), float(np.sqrt(rise[k]) / span))
