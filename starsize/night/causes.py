"""What troubled the frames of a night, what focus went with, and when to focus again."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal, cast

import numpy as np

from ..estimate import Estimate
from .course import Course, coefficient_prior
from .judge import FilterOffset, NightFocus
from .model import DEFOCUS_ZONES
from .observed import column

Cause = Literal["", "drift", "slip", "offset", "cloud", "wind or guiding", "seeing"]

#: Fewer stars than this share of those of the filter's better frames: cloud.
_CLOUDED = 0.6
#: Less light than this share: cloud; extinction from the zenith to airmass 2 takes less.
_DIMMED = 0.7
_LEAST_FRAMES = 3
#: Stars longer than those of the better frames by so much, and by so many of their scatters.
_DRAWN_OUT, _SCATTERS = 0.08, 5.0
#: A step between two frames, in zones, that no cooling makes.
_STEP_ZONES = 1.0
_BETTER = 70
#: Stars found fall about so with the radius: limiting light goes as it, star counts as light^-0.75.
_COUNT_BY_RADIUS = -0.75
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
_LEAST_TOLD = 8


def causes(course: Course, focus: NightFocus, offsets: Sequence[FilterOffset]) -> tuple[Cause, ...]:
    """Name the cause of each frame's trouble; empty where there is none."""
    state, telescope, defocus = (
        column(focus.frames, name) for name in ("state", "telescope_zones", "defocus_zones")
    )
    lost, held = state == "lost", state == "held"
    off = {one.filter for one in offsets if one.agrees is False}
    wrong = np.array([name in off for name in course.column("filter")])
    found = {
        "offset": lost & wrong & (np.abs(telescope) < np.abs(defocus)),
        "slip": lost & _slipped(course, focus),
        "drift": lost,
        "cloud": _cloudy(course),
        "wind or guiding": _drawn_out(course.column("elongation")),
        "seeing": held & _blurred(course, focus),
    }
    return cast(tuple[Cause, ...], tuple(np.select(list(found.values()), list(found), "").tolist()))


def _by_filter(course: Course) -> Iterator[np.ndarray]:
    """The frames with a radius, filter by filter, where there are some to compare."""
    names, known = course.column("filter"), np.isfinite(course.column("hfr_px"))
    every = (np.flatnonzero((names == name) & known) for name in np.unique(names))
    return (these for these in every if these.size >= _LEAST_FRAMES)


def _cloudy(course: Course) -> np.ndarray:
    """Frames whose stars are too few or too faint for their filter, or that show none."""
    radius = course.column("hfr_px")
    cloudy = ~np.isfinite(radius)
    for these in _by_filter(course):
        seconds = course.column("exposure_s")[these]
        seconds = seconds / np.median(seconds) if np.all(seconds > 0) else np.ones(these.size)
        light = course.column("light_adu")[these] / seconds
        if np.isfinite(light).all():
            cloudy[these] |= light < _DIMMED * np.percentile(light, _BETTER)
        found = course.column("found")[these]
        relative = (radius[these] / np.median(radius[these]) / seconds) ** _COUNT_BY_RADIUS
        usual = _CLOUDED * relative * np.percentile(found / relative, _BETTER)
        # Few stars come and go by chance.
        cloudy[these] |= found < usual - 2 * np.sqrt(usual)
    return cloudy


def _drawn_out(values: np.ndarray) -> np.ndarray:
    """Frames whose stars are longer than those of the night's better ones."""
    known = np.isfinite(values)
    if known.sum() < 4:
        return np.zeros(values.size, bool)
    better = np.percentile(values[known], 30)
    lower = values[known & (values <= np.median(values[known]))]
    scatter = 1.48 * float(np.median(np.abs(lower - better)))
    return np.asarray(known & (values > better + max(_DRAWN_OUT, _SCATTERS * scatter)))


def _blurred(course: Course, focus: NightFocus) -> np.ndarray:
    """Frames whose stars are larger than the filter's better ones, beyond what defocus does."""
    radius = course.column("hfr_px") / (1 + column(focus.frames, "growth"))
    blurred = np.zeros(radius.size, bool)
    for these in _by_filter(course):
        blurred[these] = radius[these] > (1 + course.limit) * np.percentile(radius[these], 25)
    return blurred


def _slipped(course: Course, focus: NightFocus) -> np.ndarray:
    """Frames whose defocus has come about by steps more than little by little."""
    sided = all(frame.side_known for frame in focus.frames if frame.state == "lost")
    path = focus.defocus @ (DEFOCUS_ZONES if sided else np.abs(DEFOCUS_ZONES))
    known = column(course.steps(), "move_zones")
    change = np.diff(path, prepend=path[0]) - (known if sided else 0)
    slipped = np.zeros(path.size, bool)
    steps, creep = 0.0, 0.0
    for k, moved in enumerate(change):
        if abs(known[k]) > _STEP_ZONES:
            steps = creep = 0.0  # focused anew
        if abs(moved) > _STEP_ZONES:
            steps += moved
        else:
            creep += moved
        slipped[k] = abs(steps) > abs(creep)
    return slipped


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


def refocus_rule(course: Course, focus: NightFocus) -> RefocusRule:
    """Derive the rule from the coefficient and the course of focus."""
    growth = _growth(course, focus)
    out = DEFOCUS_ZONES >= 0
    zones = float(np.interp(course.limit, growth[out], DEFOCUS_ZONES[out], right=math.nan))
    lost = float(np.nanmean(column(focus.frames, "probability_lost")))
    turning = abs(focus.coefficient.value)
    if not (turning > _LEAST_TURNS * focus.coefficient.sigma and math.isfinite(zones)):
        return RefocusRule(limit_zones=zones, share_lost=lost)
    times = course.column("time_mjd")
    place = course.column("temperature_degC") if course.by_degree else 24 * times
    path = focus.coefficient.value * np.nan_to_num(place - place[0])
    hours = 24 * (times[-1] - times[0])
    rate = abs(path[-1] - path[0]) / hours if hours > 0 else math.nan
    left, count = _with_rule(path, zones)
    kept = np.interp(left, DEFOCUS_ZONES, growth) <= course.limit
    # No focusing between them helps exposures that the offset of their filter puts out of focus.
    apart = column(focus.frames, "defocus_zones") - column(focus.frames, "telescope_zones")
    gaps = np.diff(times[np.isfinite(times)])
    gap = 1440 * float(np.median(gaps[gaps > 0])) if (gaps > 0).any() else math.nan
    return RefocusRule(
        limit_zones=zones,
        each_degC=zones / turning if course.by_degree else math.nan,
        each_minutes=60 * zones / rate if rate > 0 else math.nan,
        share_lost=lost,
        share_lost_with_rule=float(np.mean(~kept | (np.abs(apart) > zones))),
        refocusings=count,
        cost_share=count * FOCUSING_MINUTES / (path.size * gap + count * FOCUSING_MINUTES),
    )


def _growth(course: Course, focus: NightFocus) -> np.ndarray:
    """Growth at each defocus, in the usual seeing through the most used filter that tells."""
    names = [one.filter for one in course.exposures if one.filter not in course.untold]
    table = course.tables[max(sorted(set(names)), key=names.count)]
    usual = float(np.median(column(focus.frames, "log_seeing")))
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


def ways_of_focus(course: Course, focus: NightFocus) -> dict[str, Estimate]:
    """Zones by which focus moves outward with each degC, hour, deg_altitude that the night tells.

    The night is followed once more with a coefficient for each, all at once, on a grid of them:
    over their priors at first, then over what is left, along its own axes. A coefficient that is
    not nothing at 95 % is told. In a night that cools evenly temperature and time are one, and
    neither is told; nor is anything where the sides of focus look alike, for then all may have gone
    the other way.
    """
    temperature, sigma = coefficient_prior(course.equipment, by_degree=True)
    every = {
        "degC": (course.column("temperature_degC"), sigma),
        "hour": (24 * course.column("time_mjd"), _PER_HOUR_SIGMA),
        "deg_altitude": (course.column("altitude_deg"), _PER_ALTITUDE_SIGMA),
    }
    known = {
        name: one
        for name, one in every.items()
        if np.mean(np.isfinite(one[0])) > 0.8 and np.nanstd(one[0]) > 0
    }
    if len(known) < 2 or len(course.exposures) < _LEAST_TOLD:
        return {}
    places, sigmas = (np.array(part) for part in zip(*known.values(), strict=True))
    changes = np.nan_to_num(np.diff(places, axis=1, prepend=places[:, :1])).T
    pairs = zip(course.steps(), changes.tolist(), strict=True)
    steps = [replace(step, changed=tuple(changed)) for step, changed in pairs]
    likeliest = focus.nodes.star[[np.argmax(focus.weights)]]
    tables = {name: table.of_stars(likeliest) for name, table in course.tables.items()}
    frames = replace(course, tables=tables).frames()
    mean = np.where([course.by_degree and name == "degC" for name in known], temperature, 0.0)

    def weighed(coefficient: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        log_prior = -0.5 * (((coefficient - mean) / sigmas) ** 2).sum(1)
        none = np.zeros(len(coefficient), int)
        nodes = course.chain.start(coefficient, none, 0.0 * none, log_prior)
        left = course.chain.after(frames, steps, nodes)
        return left.coefficient, left.weights

    grid = np.stack(np.meshgrid(*[_GRID] * len(known)), -1).reshape(-1, len(known))
    value, axes = mean, np.diag(sigmas)
    for _ in range(_ROUNDS):
        found, weights = weighed(value + grid @ axes.T)
        value = weights @ found
        spread = np.linalg.solve(axes, (found - value).T)
        covariance = axes @ (spread * weights) @ spread.T @ axes.T
        axes = np.linalg.cholesky(covariance + _NARROWEST**2 * axes @ axes.T)
    found, weights = weighed(np.stack([value, -value]))
    if weights @ (found @ value < 0) > _OTHER_WAY:
        return {}
    told = map(Estimate, value.tolist(), np.sqrt(np.diag(covariance)).tolist())
    ways = zip(known, told, strict=True)
    return {name: one for name, one in ways if abs(one.value) > _TURNS * one.sigma}
