"""What each trouble of a night comes from."""

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from .course import Course, steps_between
from .filters import FilterOffset
from .judge import FrameFocus, NightFocus
from .model import DEFOCUS_ZONES
from .observed import Exposure

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


def causes(
    course: Course,
    exposures: Sequence[Exposure],
    focus: NightFocus,
    offsets: Sequence[FilterOffset],
    *,
    limit: float,
) -> tuple[Cause, ...]:
    """Name the cause of each frame's trouble; empty where there is none.

    ``limit`` is the growth that counts as loss.
    """
    wrong = [one.filter for one in offsets if one.agrees is False]
    cloudy, drawn = _cloudy(exposures), _drawn_out(exposures)
    slipped = _slipped(focus, [step.move_zones for step in steps_between(course, exposures)])
    blurred = _blurred(exposures, focus.frames, limit)
    found: list[Cause] = []
    for k, (one, frame) in enumerate(zip(exposures, focus.frames, strict=True)):
        if frame.state == "lost":
            own = one.filter in wrong and abs(frame.telescope_zones) < abs(frame.defocus_zones)
            found.append("offset" if own else "slip" if slipped[k] else "drift")
        elif cloudy[k]:
            found.append("cloud")
        elif drawn[k]:
            found.append("wind or guiding")
        elif blurred[k] and frame.state == "held":
            found.append("seeing")
        else:
            found.append("")
    return tuple(found)


def _by_filter(exposures: Sequence[Exposure]) -> dict[str, np.ndarray]:
    names = np.array([e.filter for e in exposures])
    return {str(name): np.flatnonzero(names == name) for name in np.unique(names)}


def _cloudy(exposures: Sequence[Exposure]) -> np.ndarray:
    """Frames whose stars are too few or too faint for their filter, or that show none."""
    cloudy = np.array([not math.isfinite(e.hfr_px) for e in exposures])
    for these in _by_filter(exposures).values():
        some = these[~cloudy[these]]
        if some.size < _LEAST_FRAMES:
            continue
        seconds = np.array([exposures[k].exposure_s for k in some])
        seconds = seconds / np.median(seconds) if np.all(seconds > 0) else np.ones(some.size)
        light = np.array([exposures[k].light_adu for k in some]) / seconds
        if np.isfinite(light).all():
            cloudy[some] |= light < _DIMMED * np.percentile(light, _BETTER)
        found = np.array([exposures[k].found for k in some], float)
        radius = np.array([exposures[k].hfr_px for k in some])
        relative = (radius / np.median(radius) / seconds) ** _COUNT_BY_RADIUS
        usual = _CLOUDED * relative * np.percentile(found / relative, _BETTER)
        # Few stars come and go by chance.
        cloudy[some] |= found < usual - 2 * np.sqrt(usual)
    return cloudy


def _drawn_out(exposures: Sequence[Exposure]) -> np.ndarray:
    values = np.array([e.elongation for e in exposures])
    known = np.isfinite(values)
    if known.sum() < 4:
        return np.zeros(len(values), bool)
    better = np.percentile(values[known], 30)
    lower = values[known & (values <= np.median(values[known]))]
    scatter = 1.48 * float(np.median(np.abs(lower - better)))
    return np.asarray(known & (values > better + max(_DRAWN_OUT, _SCATTERS * scatter)))


def _blurred(
    exposures: Sequence[Exposure], frames: Sequence[FrameFocus], limit: float
) -> np.ndarray:
    """Frames whose stars are larger than the filter's better ones, beyond what defocus does."""
    blurred = np.zeros(len(exposures), bool)
    radius = np.array([e.hfr_px / (1 + f.growth) for e, f in zip(exposures, frames, strict=True)])
    for these in _by_filter(exposures).values():
        known = these[np.isfinite(radius[these])]
        if known.size > 2:
            blurred[known] = radius[known] > (1 + limit) * np.percentile(radius[known], 25)
    return blurred


def _slipped(focus: NightFocus, moves_zones: Sequence[float]) -> np.ndarray:
    """Frames whose defocus has come about by steps more than little by little."""
    sided = all(f.side_known for f in focus.frames if f.state == "lost")
    places = DEFOCUS_ZONES if sided else np.abs(DEFOCUS_ZONES)
    path = focus.defocus @ places
    change = np.diff(path, prepend=path[0])
    known = np.array(moves_zones)
    if sided:
        change = change - known
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
