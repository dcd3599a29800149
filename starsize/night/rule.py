"""What focus went with, when to focus again, and what that would have saved."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..estimate import Estimate
from .chain import Nodes, Step
from .course import Course, coefficient_prior, seen_frame, steps_between
from .judge import NightFocus
from .model import DEFOCUS_ZONES
from .observed import Exposure

#: What focusing takes, minutes (common practice).
FOCUSING_MINUTES = 3.0
_LEAST_TURNS = 2.0
"""A coefficient that is known to less than so many sigma makes no rule."""
#: Prior sigma, zones: of an hour beside the temperature, and of a degree of altitude (common
#: practice: a tube lags behind the air; draw tubes and mirrors sag).
_PER_HOUR_SIGMA, _PER_ALTITUDE_SIGMA = 0.4, 0.05
_GRID = np.array([-1.7, 0.0, 1.7])
#: Rounds of narrowing, each to this share at most.
_ROUNDS, _NARROWEST = 8, 0.5
_TURNS, _OTHER_WAY = 1.96, 0.025
_LEAST_FRAMES = 8


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
    turning = abs(focus.coefficient.value)
    if not (turning > _LEAST_TURNS * focus.coefficient.sigma and math.isfinite(zones)):
        return RefocusRule(limit_zones=zones, share_lost=lost)
    times = np.array([e.time_mjd for e in exposures])
    warm = np.array([e.temperature_degC for e in exposures])
    place = warm if course.by_degree else 24 * times
    path = focus.coefficient.value * np.nan_to_num(place - place[0])
    hours = 24 * (times[-1] - times[0])
    rate = abs(path[-1] - path[0]) / hours if hours > 0 else math.nan
    left, count = _with_rule(path, zones)
    kept = np.interp(left, DEFOCUS_ZONES, growth) <= limit
    # No focusing between them helps exposures that the offset of their filter puts out of focus.
    beside = np.array([abs(f.defocus_zones - f.telescope_zones) > zones for f in focus.frames])
    gaps = np.diff(times[np.isfinite(times)])
    gap = 1440 * float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else math.nan
    return RefocusRule(
        limit_zones=zones,
        each_degC=zones / turning if course.by_degree else math.nan,
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
    rows = table.log_radius[len(table.log_radius) // 2, :, at]
    return np.asarray(np.expm1(rows - rows.min()))


def _with_rule(path: np.ndarray, zones: float) -> tuple[np.ndarray, int]:
    """Defocus that is left if one focuses whenever the course has gone so many zones."""
    left, stands, count = np.zeros(path.size), path[0], 0
    for k, place in enumerate(path):
        if abs(place - stands) >= zones:
            stands, count = place, count + 1
        left[k] = place - stands
    return left, count


def ways_of_focus(
    course: Course, exposures: Sequence[Exposure], focus: NightFocus
) -> dict[str, Estimate]:
    """Zones by which focus moves outward with each degC, hour, deg_altitude that the night tells.

    The night is followed once more with a coefficient for each, all at once, on a grid of them:
    over their priors at first, then over what is left, along its own axes. A coefficient that is
    not nothing at 95 % is told. In a night that cools evenly temperature and time are one, and
    neither is told; nor is anything where the sides of focus look alike, for then all may have gone
    the other way.
    """
    names, places, sigmas = _regressors(course, exposures)
    if len(names) < 2 or len(exposures) < _LEAST_FRAMES:
        return {}
    changes = [tuple(np.nan_to_num(after - before)) for before, after in pairwise(places)]
    between = zip(steps_between(course, exposures)[1:], changes, strict=True)
    steps = [Step(), *(replace(step, changed=changed) for step, changed in between)]
    likeliest = focus.nodes.star[[np.argmax(focus.weights)]]
    tables = {n: table.of_stars(likeliest) for n, table in course.tables.items()}
    seen = [seen_frame(replace(course, tables=tables), one) for one in exposures]
    mean = np.zeros(len(names))
    if course.by_degree:
        mean[0] = coefficient_prior(course.equipment, by_degree=True)[0]

    def weighed(coefficient: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        log_prior = -0.5 * (((coefficient - mean) / sigmas) ** 2).sum(1)
        none = np.zeros(len(coefficient), int)
        left = course.chain.after(seen, steps, Nodes(coefficient, none, 0.0 * none, log_prior))
        return left.nodes.coefficient, left.weights

    grid = np.stack(np.meshgrid(*[_GRID] * len(names)), -1).reshape(-1, len(names))
    value, axes = mean, np.diag(sigmas)
    for _ in range(_ROUNDS):
        found, weights = weighed(value + grid @ axes.T)
        value = weights @ found
        spread = np.linalg.solve(axes, (found - value).T)
        covariance = axes @ (spread * weights) @ spread.T @ axes.T
        floor = (_NARROWEST * axes) @ (_NARROWEST * axes).T
        axes = np.linalg.cholesky(covariance + floor)
    found, weights = weighed(np.stack([value, -value]))
    if weights @ (found @ value < 0) > _OTHER_WAY:
        return {}
    every = map(Estimate, value.tolist(), np.sqrt(np.diag(covariance)).tolist())
    ways = zip(names, every, strict=True)
    return {name: one for name, one in ways if abs(one.value) > _TURNS * one.sigma}


def _regressors(
    course: Course, exposures: Sequence[Exposure]
) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Names, values by exposure (K, R) and prior sigmas of what is known to have changed."""
    temperature = coefficient_prior(course.equipment, by_degree=True)[1]
    every = (
        ("degC", [e.temperature_degC for e in exposures], temperature),
        ("hour", [24 * e.time_mjd for e in exposures], _PER_HOUR_SIGMA),
        ("deg_altitude", [e.altitude_deg for e in exposures], _PER_ALTITUDE_SIGMA),
    )
    known = [one for one in every if np.mean(np.isfinite(one[1])) > 0.8 and np.nanstd(one[1]) > 0]
    places = np.array([values for _, values, _ in known]).T
    return [name for name, _, _ in known], places, np.array([sigma for *_, sigma in known])
