"""Play in the focuser, as the start of a sweep betrays it.

While the play is taken up the counter runs and the camera stands: at a place nearer to focus than
the counter says, for it came from there. Play of more than a spacing shows as several frames of
one radius, less than that as one frame whose stars are too small for its position.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from ..estimate import NOT_KNOWN, Estimate
from .curve import FocusCurve
from .guess import USUAL_JITTER
from .statistics import PRIORS

LEAST_LEFT = 5
"""Frames that must remain when the first are left out."""
MOST_FLAT = 5
SAME = 3.0
CHANGED = 6.0
"""In units of the noise: what counts as the same radius, and as a change."""
PLAY_ODDS = 0.05
"""Chance that a sweep starts with less play than a spacing left to take up, before looking."""
LIKELIER = 5.0
"""Play is named where it is this many times as likely as a wrecked frame."""


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
    if x.size < LEAST_LEFT + 2 or not _one_way(x):
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


def short_play(
    curve: FocusCurve, noise_px: float, *, wing_px: np.ndarray, wing_steps: np.ndarray
) -> Estimate:
    """Play of less than one spacing, read off a first frame that is off the curve of the others.

    Such a frame shows a star as large as one nearer to focus, where the camera still stood; a
    wrecked frame mostly shows a larger one.

    Parameters
    ----------
    noise_px : float
        Uncertainty of the first radius against the curve.
    wing_px, wing_steps : (n,) arrays
        The curve fitted without that frame, from its position towards focus.

    Returns
    -------
    Estimate
        Steps; not known where the frame does not look so, or a wreck explains it about as well.
    """
    x, y = curve.position_steps, float(curve.radius_px[0])
    falling = np.minimum.accumulate(wing_px)
    if not _one_way(x) or not falling[-1] < y < falling[0]:
        return NOT_KNOWN
    where = float(np.interp(-y, -falling, wing_steps))
    rate = float(np.interp(-y, -falling, np.abs(np.gradient(wing_px, wing_steps))))
    play, spacing = abs(where - float(x[0])), abs(float(x[1] - x[0]))
    sigma = noise_px / max(rate, 1e-12)
    within = ndtr((spacing - play) / sigma) - ndtr(-play / sigma)
    as_play = PLAY_ODDS * within / (spacing * rate)
    wild = PRIORS.wreck_size * falling[0]
    bell = np.exp(-0.5 * ((y - falling[0]) / wild) ** 2) / (wild * np.sqrt(2 * np.pi))
    as_wreck = PRIORS.wrecked * bell
    return Estimate(play, float(sigma)) if as_play > LIKELIER * as_wreck else NOT_KNOWN


def _one_way(position_steps: np.ndarray) -> bool:
    moves = np.diff(position_steps)
    return bool(np.all(moves > 0) or np.all(moves < 0))
