"""Frames whose positions and times do not go together."""

from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np

from ..estimate import Estimate, Finding
from .curve import FocusCurve
from .fitted import CurveFit

SURE = 4.0
"""Two directions disagree at this many sigma."""
BETTER = 3.0
"""The scatter must fall by this factor before another reading of the positions is believed, where
the one as written has a curve at all."""
RESTLESS = 0.12

Fit = Callable[[FocusCurve], CurveFit]


def order_conflict(curve: FocusCurve, fit: CurveFit, *, refit: Fit) -> Finding | None:
    """Why the order of a sweep spoils it, or None.

    Only a sweep that turned round or jumped to and fro can tell. Its outward and inward frames may
    have foci of their own (play), or each radius may belong to the position of the frame before
    (a header written too early). ``refit`` fits one curve.
    """
    moves = np.diff(curve.position_steps)
    if np.all(moves >= 0) or np.all(moves <= 0):
        return None
    late = _late_header(curve, fit, refit)
    return late or _two_foci(curve, moves, refit)


def _late_header(curve: FocusCurve, fit: CurveFit, refit: Fit) -> Finding | None:
    lost = fit.verdict == "not_repeatable"
    if not (lost or fit.jitter > RESTLESS):
        return None
    for shift, which in ((1, "before"), (-1, "after")):
        keep = slice(1, None) if shift == 1 else slice(None, -1)
        moved = part(replace(curve, position_steps=np.roll(curve.position_steps, shift)), keep)
        again = refit(moved)
        if again.answered and (lost or again.jitter < fit.jitter / BETTER):
            return Finding("late_header", which=which)
    return None


def _two_foci(curve: FocusCurve, moves: np.ndarray, refit: Fit) -> Finding | None:
    arrived = np.concatenate([[0.0], moves])
    ways = [refit(part(curve, arrived > 0)), refit(part(curve, arrived < 0))]
    if not all(way.answered for way in ways):
        return None
    up, down = ways
    apart = down.best_steps - up.best_steps
    sigma = float(np.hypot(up.best_sigma_steps, down.best_sigma_steps))
    if abs(apart) < SURE * sigma:
        return None
    return Finding(
        "two_foci",
        up_steps=up.best_steps,
        down_steps=down.best_steps,
        apart=Estimate(abs(apart), sigma),
    )


def part(curve: FocusCurve, keep: slice | np.ndarray) -> FocusCurve:
    """Some of the frames of a curve."""
    index = np.arange(curve.position_steps.size)[keep]
    arrays: dict[str, Any] = {
        f.name: value[index] for f in fields(curve)
        if isinstance(value := getattr(curve, f.name), np.ndarray)
    }  # fmt: skip
    bounded, inner = (one and one.part(index) for one in (curve.bounded, curve.inner))
    names = tuple(curve.names[i] for i in index)
    return replace(curve, **arrays, names=names, bounded=bounded, inner=inner)
