"""Whose offset is off: one filter after another is asked, as long as the odds say so."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import logsumexp

from .chain import Seen, State
from .course import Course, seen_frame, steps_between
from .judge import LOST, NightFocus, follow, signed
from .model import PRIORS, STEP_ZONES
from .observed import Exposure

#: Errors that are tried, whole steps of the grid.
_TRIED = 2 * STEP_ZONES * np.arange(-13, 14)
_MOST_NODES = 6
_SURE = math.log(LOST / (1 - LOST))
_LEAST_FRAMES = 2
#: What a table that is right may still be off, zones, beyond its own uncertainty.
_RIGHT_ZONES = 0.15
_AGREES_ZONES = 1.0
#: An error so small needs no side.
_NEAR_ZONES = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterOffset:
    """How far tonight puts the offset of a filter from the table, against the other filters.

    Attributes
    ----------
    change_zones, change_sigma_zones : float
        True offset minus the table's, zones of 550 nm; a size without a sign where ``side_known``
        is False.
    agrees : bool or None
        None where the night cannot tell.
    odds : float
        ln odds that the table is off.
    """

    filter: str
    frames: int
    change_zones: float
    change_sigma_zones: float
    side_known: bool
    agrees: bool | None
    odds: float


def find_offsets(
    course: Course, exposures: Sequence[Exposure], focus: NightFocus, *, limit: float
) -> tuple[NightFocus, tuple[FilterOffset, ...]]:
    """Ask each filter whether its offset is off; judge the night again if one is.

    ``focus`` has every offset as the table has it; the one returned takes those that are off for
    so. No offsets where there is no table or only one filter.
    """
    names = [n for n in course.equipment.offset_steps if any(e.filter == n for e in exposures)]
    if len(names) < 2:
        return focus, ()
    seen = [seen_frame(course, e) for e in exposures]
    courses = {name: _asked(course, exposures, seen, focus, name) for name in names}
    settled: dict[str, float] = {}
    found: dict[str, FilterOffset] = {}
    last: Course | None = None
    while True:
        left = [name for name in names if name not in settled]
        courses = {name: replace(courses[name], settled=settled) for name in left}
        asked = {name: _ask(courses[name], exposures) for name in left}
        found |= {name: one for name, (one, _) in asked.items()}
        worst = max(left, key=lambda name: found[name].odds)
        if found[worst].odds <= _SURE or len(settled) > len(names) - 3:
            break
        last = courses[worst]
        settled = settled | {worst: float(_TRIED[np.argmax(asked[worst][1])])}
    if last is not None:
        focus = follow(last, exposures, limit=limit)
    return focus, tuple(found[name] for name in names)


def _asked(
    course: Course,
    exposures: Sequence[Exposure],
    seen: Sequence[Seen],
    focus: NightFocus,
    name: str,
) -> Course:
    """The course for asking a filter, by what the frames of the others say."""
    # Its nodes are the likeliest stars with their coefficients, each with all that the sides of
    # focus may differ in: what they differ in is every filter's own, so that for the others the
    # likeliest is taken.
    sides, star = course.sides, course.nodes.star
    likeliest = int(np.argmax(np.bincount(focus.nodes.star % sides, focus.weights)))
    others = [
        Seen(None) if e.filter == name else frame for e, frame in zip(exposures, seen, strict=True)
    ]
    alike = course.nodes.part(np.flatnonzero(star % sides == likeliest))
    last = course.chain.after(others, steps_between(course, exposures), alike)
    best = last.nodes.part(np.argsort(-last.weights, kind="stable")[:_MOST_NODES])
    same = star // sides == best.star[:, None] // sides
    same &= (course.nodes.coefficient == best.coefficient[:, None]).all(axis=2)
    nodes = course.nodes.part(np.flatnonzero(same.any(axis=0)))
    # Only these stars are looked at, each once a frame.
    stars, number = np.unique(nodes.star, return_inverse=True)
    of_others = stars // sides * sides + likeliest
    tables = {
        other: table.of_stars(stars if other == name else of_others)
        for other, table in course.tables.items()
    }
    nodes = replace(nodes, star=number)
    return replace(course, tables=tables, nodes=nodes, question=name, tried=_TRIED)


def evidence_of(last: State) -> np.ndarray:
    """Ln evidence of each error tried; minus infinity for those that were left behind."""
    mine = last.nodes.offset_zones == _TRIED[:, None]
    # Of hundreds of frames the evidence is beyond what exp can hold, so weights of 0 will not do.
    return np.asarray(
        logsumexp(np.where(mine, last.log_evidence + last.nodes.log_prior, -np.inf), axis=1)
    )


def _ask(course: Course, exposures: Sequence[Exposure]) -> tuple[FilterOffset, np.ndarray]:
    """What the night says of the offset in question, and ln weight of the errors tried."""
    name = course.question
    frames = sum(e.filter == name and math.isfinite(e.hfr_px) for e in exposures)
    seen = [seen_frame(course, e) for e in exposures]
    last = course.chain.after(seen, steps_between(course, exposures), course.nodes, _TRIED)
    evidence = evidence_of(last)
    table = course.equipment.offset_steps[name]
    own = 0.0 if math.isnan(table.sigma) else table.sigma / course.equipment.zone_steps
    right = _log_normal(_TRIED, math.hypot(own, _RIGHT_ZONES))
    wrong = _log_normal(_TRIED, PRIORS.offset_wrong_zones)
    # Of the night alone, then with what is believed beforehand.
    factor = logsumexp(evidence + wrong) - logsumexp(evidence + right)
    odds = factor + math.log(PRIORS.offset_wrong / (1 - PRIORS.offset_wrong))
    weight = np.exp(evidence + wrong - logsumexp(evidence + wrong))
    error, sigma, sided = signed(weight, _TRIED, near=_NEAR_ZONES)
    agrees = None
    if frames >= _LEAST_FRAMES:
        # Few offsets are off, so a night that tells nothing makes none of them likely: that one
        # agrees, to a zone, must be as sure with even odds beforehand.
        far = weight[np.abs(_TRIED) > _AGREES_ZONES].sum() / (1 + np.exp(-factor))
        agrees = False if odds > _SURE else True if far < 1 - LOST else None
    offset = FilterOffset(
        filter=name,
        frames=frames,
        # The camera stands too far out where the table's offset is too large.
        change_zones=-error if sided else abs(error),
        change_sigma_zones=sigma,
        side_known=sided,
        agrees=agrees,
        odds=float(odds),
    )
    return offset, evidence + wrong


def _log_normal(values: np.ndarray, sigma: float) -> np.ndarray:
    """Ln of the shares of a normal distribution about 0 on a grid."""
    log = -0.5 * (values / sigma) ** 2
    return np.asarray(log - logsumexp(log))
