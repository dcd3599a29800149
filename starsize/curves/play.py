"""Play in the focuser, as the start of a sweep betrays it."""

from dataclasses import dataclass

import numpy as np

from ..estimate import Estimate
from .curve import FocusCurve
from .guess import USUAL_JITTER

LEAST_LEFT = 5
"""Frames that must remain when the first are left out."""
MOST_FLAT = 5
SAME = 3.0
CHANGED = 6.0
"""In units of the noise: what counts as the same radius, and as a change."""


@dataclass(frozen=True, slots=True)
class FlatStart:
    """The first ``frames`` frames stood still at one radius while the counter moved."""

    frames: int
    radius_px: float


def flat_start(curve: FocusCurve) -> FlatStart | None:
    """Find frames at the start that all show one radius far from focus, or None.

    While the play is taken up the counter runs and the camera does not: the star keeps its size
    although the next frames show that one step of the sweep changes it by many times the noise.
    """
    y, x = curve.radius_px, curve.position_steps
    moves = np.diff(x)
    one_way = bool(np.all(moves > 0) or np.all(moves < 0))
    if x.size < LEAST_LEFT + 2 or not one_way:
        return None
    # Out on the wing the seeing moves a radius by its floor's share only.
    noise = np.hypot(np.nan_to_num(curve.radius_sigma_px), USUAL_JITTER * y.min() ** 2 / y)
    noise = np.hypot(noise, 0.003 * y)
    flat = 1
    while flat < min(MOST_FLAT + 1, x.size - LEAST_LEFT) and (
        abs(y[flat] - y[:flat].mean()) < SAME * noise[flat]
    ):
        flat += 1
    if flat < 2 or y[:flat].mean() < 1.5 * y.min():
        return None
    rate = abs((y[flat + 1] - y[flat]) / moves[flat])
    missing = rate * abs(x[flat - 1] - x[0])
    if missing < CHANGED * noise[:flat].max() or y[flat + 1] > y[flat]:
        return None
    return FlatStart(flat, float(y[:flat].mean()))


def play_from(
    start: FlatStart, curve: FocusCurve, wing_px: np.ndarray, wing_steps: np.ndarray
) -> Estimate:
    """How far the counter ran before the camera moved, in steps.

    Parameters
    ----------
    wing_px, wing_steps : (n,) arrays
        The fitted curve on the side where the sweep began, from its end towards focus.
    """
    order = np.argsort(wing_px)
    where = float(np.interp(start.radius_px, wing_px[order], wing_steps[order]))
    spread = abs(np.interp(start.radius_px * 1.01, wing_px[order], wing_steps[order]) - where)
    return Estimate(abs(where - float(curve.position_steps[0])), float(max(spread, 0.5)))
