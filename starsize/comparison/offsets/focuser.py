"""What the sweeps say about the focuser, in the terms of ISO 230-2.

Its reversal value is the mean of best focus reached from one side less that from the other; its
unidirectional repeatability is 4 s, s being the standard deviation that stands here.
"""

import math
from collections.abc import Sequence

import numpy as np

from ...curves.fitted import CurveFit, CurveSet
from ...estimate import Estimate
from ..compared import BacklashFrom, FocuserHealth, StepSource
from .adjustment import Adjustment
from .changes import Changes
from .sweeps import BestFocusData
from .terms import TermChoice


def focuser_health(
    curves: CurveSet,
    data: BestFocusData,
    adjustment: Adjustment,
    *,
    choice: TermChoice,
    changes: Changes,
    size: Estimate | None,
    source: StepSource,
) -> FocuserHealth:
    """Play, repeatability, placement and slips; None where the sweeps cannot tell."""
    backlash, known_from = _backlash(curves.answered, adjustment, choice)
    repeats = len(data.ids) > len(data.names) and adjustment.dof >= 1
    scatter = adjustment.scatter
    placement = curves.placement_steps
    return FocuserHealth(
        um_per_step=size,
        um_per_step_source=source,
        backlash_steps=backlash,
        backlash_from=known_from,
        repeatability_steps=Estimate(scatter.value, scatter.sigma) if repeats else None,
        repeatability68_steps=adjustment.scatter68_steps if repeats else None,
        measuring_steps=adjustment.measuring_steps,
        placement_steps=placement if placement.is_known else None,
        slips=changes.slips,
    )


def play_of_starts(fits: Sequence[CurveFit]) -> Estimate | None:
    """Play from sweeps that began while it was still being taken up; None where none shows any.

    Sweeps that were fitted together state one play, which counts once. Of several the weighted
    mean, its uncertainty widened where they disagree (Birge 1932). A sweep that was run in shows
    nothing, which says nothing against it.
    """
    seen = list(dict.fromkeys(f.play_steps for f in fits if f.play_steps.is_known))
    if not seen:
        return None
    value, sigma = (np.array([getattr(p, name) for p in seen]) for name in ("value", "sigma"))
    weight = 1 / sigma**2
    mean = float(np.sum(weight * value) / np.sum(weight))
    ratio = 1.0
    if len(seen) > 1:
        ratio = max(1.0, math.sqrt(np.sum(weight * (value - mean) ** 2) / (len(seen) - 1)))
    return Estimate(mean, ratio / math.sqrt(np.sum(weight)))


def _backlash(
    fits: Sequence[CurveFit], adjustment: Adjustment, choice: TermChoice
) -> tuple[Estimate | None, BacklashFrom | None]:
    if choice.source.get("direction") == "frames":
        found = adjustment.term("direction")
        return Estimate(found.value, found.sigma), "both directions"
    start = play_of_starts(fits)
    return start, "flat start" if start else None
