"""When to focus again: the rule that this night supports, and what it would have saved."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .causes import usual_minutes
from .course import Course
from .judge import NightFocus
from .model import DEFOCUS_ZONES
from .observed import Exposure

#: What focusing takes, minutes (common practice).
FOCUSING_MINUTES = 3.0
_LEAST_TURNS = 2.0
"""A coefficient that is known to less than so many sigma makes no rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RefocusRule:
    """The rule, and the night with and without it; NaN where the night does not tell.

    Attributes
    ----------
    limit_zones : float
        Defocus that makes stars grow by the limit in the night's usual seeing.
    each_degC, each_minutes : float
    share_lost, share_lost_with_rule : float
        Of exposures.
    refocusings : int
        How often the rule asks for it.
    cost_share : float
        Of the night's time that goes into focusing.
    """

    limit_zones: float
    each_degC: float = math.nan
    each_minutes: float = math.nan
    share_lost: float = math.nan
    share_lost_with_rule: float = math.nan
    refocusings: int = 0
    cost_share: float = math.nan


def refocus_rule(
    course: Course, exposures: Sequence[Exposure], focus: NightFocus, *, limit: float
) -> RefocusRule:
    """Derive the rule from the coefficient and the course of focus."""
    growth = _growth(course, exposures, focus)
    out = DEFOCUS_ZONES >= 0
    zones = float(np.interp(limit, growth[out], DEFOCUS_ZONES[out], right=math.nan))
    lost = float(np.mean([f.probability_lost for f in focus.frames]))
    sure = abs(focus.coefficient) > _LEAST_TURNS * focus.coefficient_sigma
    turning = abs(focus.coefficient)
    if not (sure and math.isfinite(zones)):
        return RefocusRule(limit_zones=zones, share_lost=lost)
    place = np.array(
        [e.temperature_degC if course.by_degree else 24 * e.time_mjd for e in exposures]
    )
    path = focus.coefficient * np.nan_to_num(place - place[0])
    each = zones / turning
    hours = 24 * (exposures[-1].time_mjd - exposures[0].time_mjd)
    rate = abs(path[-1] - path[0]) / hours if hours > 0 else math.nan
    left, count = _with_rule(path, zones)
    kept = np.interp(left, DEFOCUS_ZONES, growth) <= limit
    # No focusing between them helps exposures that the offset of their filter puts out of focus.
    beside = np.array([abs(f.defocus_zones - f.telescope_zones) > zones for f in focus.frames])
    gap = usual_minutes(exposures)
    return RefocusRule(
        limit_zones=zones,
        each_degC=each if course.by_degree else math.nan,
        each_minutes=60 * zones / rate if rate > 0 else math.nan,
        share_lost=lost,
        share_lost_with_rule=float(np.mean(~kept | beside)),
        refocusings=count,
        cost_share=count * FOCUSING_MINUTES / (len(exposures) * gap + count * FOCUSING_MINUTES),
    )


def _growth(course: Course, exposures: Sequence[Exposure], focus: NightFocus) -> np.ndarray:
    """Growth at each defocus, in the usual seeing through the most used filter."""
    names = [e.filter for e in exposures]
    table = course.tables[max(sorted(set(names)), key=names.count)]
    usual = float(np.median([f.log_seeing for f in focus.frames]))
    at = int(np.argmin(np.abs(table.log_seeing - usual)))
    rows = table.log_radius[len(course.airs) // 2, :, at]
    return np.asarray(np.expm1(rows - rows.min()))


def _with_rule(path: np.ndarray, zones: float) -> tuple[np.ndarray, int]:
    """Defocus that is left if one focuses whenever the course has gone so many zones."""
    left, stands, count = np.zeros(path.size), path[0], 0
    for k, place in enumerate(path):
        if abs(place - stands) >= zones:
            stands, count = place, count + 1
        left[k] = place - stands
    return left, count
