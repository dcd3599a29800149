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
    position = np.asarray(position_steps, float)
    if np.unique(position).size < 3:
        msg = "'position_steps' must hold at least three different positions"
        raise ValueError(msg)
    middle = (position.max() + position.min()) / 2
    half = (position.max() - position.min()) / 2
    x = (position - middle) / half
    y = np.asarray(radius_px, float)
    centre, log_floor, log_slope = guess_scaled(x, y, np.zeros_like(y), np.ones_like(y))
    return Guess(
        float(middle + half * centre), float(np.exp(log_floor)), float(np.exp(log_slope) / half)
    )


def guess_scaled(x: np.ndarray, y: np.ndarray, star: np.ndarray, present: np.ndarray) -> np.ndarray:
    """Batched guess: (..., n) arrays with x in -1..1 to (..., 3) centre, ln floor, ln slope."""
    basis, weight = parabola(x, y, star, present)
    weighted = basis * weight[..., None]
    normal = np.swapaxes(weighted, -1, -2) @ basis
    normal[..., range(3), range(3)] *= 1 + 1e-9
    target = (weighted * (y * y)[..., None]).sum(axis=-2)
    c0, c1, c2 = np.moveaxis(np.linalg.solve(normal, target[..., None])[..., 0], -1, 0)
    lowest = np.where(present > 0, y, np.inf).min(axis=-1)
    # A curve that never turns up bends the wrong way: start from a gentle one.
    c2 = np.maximum(c2, 0.02 * lowest**2)
    centre = np.clip(-c1 / (2 * c2), -2.0, 2.0)
    floor2 = np.clip(c0 - c2 * centre**2, (0.3 * lowest) ** 2, (1.5 * lowest) ** 2)
    return np.stack([centre, 0.5 * np.log(floor2), 0.5 * np.log(c2)], axis=-1)


def parabola(
    x: np.ndarray, y: np.ndarray, star: np.ndarray, present: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Basis (..., n, 3) and weights (..., n) of the parabola that the squares of y follow."""
    lowest = np.where(present > 0, y, np.inf).min(axis=-1, keepdims=True)
    # sigma(y^2) = 2 y sigma(y), and the seeing moves y by jitter * floor^2 / y.
    seeing = USUAL_JITTER * lowest**2 / y
    weight = present / (4 * y**2 * (star**2 + seeing**2))
    return np.stack(np.broadcast_arrays(np.ones_like(x), x, x * x), axis=-1), weight


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
