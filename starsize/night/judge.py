"""What the night says of each frame and of each offset of the table."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import log_softmax, logsumexp

from ..estimate import Estimate
from .chain import Belief, Frame
from .course import Course
from .model import DEFOCUS_ZONES, PRIORS, TRIED_ZONES
from .observed import Exposure

LOST, HELD = 0.95, 0.05
SURE_SIDE = 0.9973
"""A side is told from here on: a wrong one is an error beyond 3 sigma, and must be as rare as
that (normal distribution)."""
Verdict = Literal["held", "lost", "unclear"]
#: Nodes by which frames are judged, so few that a long night fits into memory; filters are asked.
_LEAST_WEIGHT, _MOST_NODES, _MOST_ASKED = 1e-3, 36, 6
_SURE = math.log(LOST / (1 - LOST))
_LEAST_FRAMES = 2
#: What a table that is right may still be off, zones, beyond its own uncertainty.
_RIGHT_ZONES = 0.15
_AGREES_ZONES = 1.0
#: An error so small needs no side.
_NEAR_ZONES = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFocus:
    """One frame's focus.

    Attributes
    ----------
    probability_lost : float
        That defocus alone makes the stars grow by more than the limit.
    growth, growth_sigma : float
        By which defocus alone makes the stars grow. These three are NaN where the filter's star is
        not known.
    defocus_zones, defocus_sigma_zones : float
        Zones of 550 nm, of the frame through its filter; without a sign (>= 0) where
        ``side_known`` is False.
    telescope_zones : float
        The same without what the filter's offset is off.
    """

    state: Verdict
    probability_lost: float
    growth: float
    growth_sigma: float
    defocus_zones: float
    defocus_sigma_zones: float
    side_known: bool
    telescope_zones: float
    log_seeing: float


@dataclass(frozen=True, slots=True, eq=False)
class NightFocus:
    """The course of a night.

    ``defocus`` (K, D) is the probability of the telescope's defocus on ``DEFOCUS_ZONES``,
    ``coefficient`` in zones per degree or per hour, ``weights`` (n,) those of the ``nodes``.
    """

    frames: tuple[FrameFocus, ...]
    defocus: np.ndarray
    coefficient: Estimate
    nodes: Belief
    weights: np.ndarray


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


def follow(course: Course) -> NightFocus:
    """Judge all frames of a night by all of it."""
    frames, steps = course.frames(), course.steps()
    nodes = course.chain.after(frames, steps, course.nodes).likeliest(_LEAST_WEIGHT, _MOST_NODES)
    defocus, seeing, weights = course.chain.smooth(frames, steps, nodes)
    each = zip(course.exposures, frames, defocus, seeing.tolist(), strict=True)
    judged = tuple(
        frame_focus(course, one, frame, nodes, weights[:, None] * spread, v)
        for one, frame, spread, v in each
    )
    defocus = np.einsum("n,knd->kd", weights, defocus)
    return NightFocus(judged, defocus, course.coefficient(nodes, weights), nodes, weights)


class LiveNight:
    """A night judged while it goes on: each frame by itself and those before it."""

    def __init__(self, course: Course) -> None:
        self.course = replace(course, exposures=())
        self.frames: list[FrameFocus] = []
        self._rows: list[np.ndarray] = []
        self._belief = course.nodes

    def add(self, one: Exposure) -> FrameFocus:
        """Judge the next frame."""
        self.course = course = self.course.of([*self.course.exposures, one])
        chain, belief, frame = course.chain, self._belief, course.frame(one)
        for step in replace(course, exposures=course.exposures[-2:]).steps()[1:]:
            belief = chain.moved(belief, step)
        self._belief = belief = chain.told(belief, frame).likeliest()
        spread = belief.weights[:, None] * belief.grid.sum(2)
        v = float(belief.weights @ (belief.grid.sum(1) @ chain.log_seeing))
        self._rows.append(spread.sum(0))
        self.frames.append(frame_focus(course, one, frame, belief, spread, v))
        return self.frames[-1]

    def focus(self) -> NightFocus:
        """The course of the night so far."""
        nodes, weights = self._belief, self._belief.weights
        coefficient = self.course.coefficient(nodes, weights)
        return NightFocus(tuple(self.frames), np.stack(self._rows), coefficient, nodes, weights)


def frame_focus(
    course: Course,
    one: Exposure,
    frame: Frame,
    nodes: Belief,
    spread: np.ndarray,
    log_seeing: float,
) -> FrameFocus:
    """Judge one frame from the weight of each node and defocus of the telescope, (n, D)."""
    if frame.shown is None:
        growth = np.expm1(course.tables[one.filter].log_growth(log_seeing))
    else:
        growth = np.expm1(frame.shown[3])
    by_star = np.zeros(growth.shape)
    np.add.at(by_star, (nodes.star[:, None], frame.places(nodes)), spread)
    # The limit falls within a cell of the grid: count the share of the cell that lies beyond.
    per_cell = np.abs(np.gradient(growth, axis=1)) + 1e-9
    lost = float((by_star * np.clip((growth - course.limit) / per_cell + 0.5, 0.0, 1.0)).sum())
    mean = float((by_star * growth).sum())
    defocus, defocus_sigma, sided = signed(by_star.sum(0))
    sigma = math.sqrt(float((by_star * (growth - mean) ** 2).sum()))
    if one.filter in course.untold:
        lost = mean = sigma = math.nan
    return FrameFocus(
        state="lost" if lost > LOST else "held" if lost < HELD else "unclear",
        probability_lost=lost,
        growth=mean,
        growth_sigma=sigma,
        defocus_zones=defocus,
        defocus_sigma_zones=defocus_sigma,
        side_known=sided,
        telescope_zones=signed(spread.sum(0))[0],
        log_seeing=log_seeing,
    )


def signed(
    weight: np.ndarray, places: np.ndarray = DEFOCUS_ZONES, *, near: float = 0.0
) -> tuple[float, float, bool]:
    """Mean and sigma on an even grid, and whether its sign is told; of its size where it is not.

    What is smaller than ``near`` has a mean about 0, whatever its side.
    """
    share = weight / weight.sum()
    out = float(share[places > 0].sum())
    sided = max(out, 1 - out) > SURE_SIDE or float(share @ places**2) < near**2
    values = places if sided else np.abs(places)
    mean = float(share @ values)
    # The grid's own cell counts too.
    variance = float(share @ (values - mean) ** 2) + (places[1] - places[0]) ** 2 / 12
    return mean, math.sqrt(variance), sided


def find_offsets(course: Course, focus: NightFocus) -> tuple[NightFocus, tuple[FilterOffset, ...]]:
    """Ask each filter whether its offset is off; judge the night again if one is.

    One filter after another is taken for off, the likeliest first, as long as the odds say so.
    ``focus`` has every offset as the table has it; the one returned takes those that are off for
    so. No offsets where there is no table or only one filter.
    """
    filters = {one.filter for one in course.exposures}
    names = [name for name in course.equipment.offset_steps if name in filters]
    if len(names) < 2:
        return focus, ()
    frames = course.frames()
    asked = {name: _asked(course, frames, focus, name) for name in names}
    settled: dict[str, float] = {}
    found: dict[str, FilterOffset] = {}
    last: Course | None = None
    while True:
        log_weights = {}
        for name in [name for name in names if name not in settled]:
            asked[name] = replace(asked[name], settled=settled)
            found[name], log_weights[name] = _ask(asked[name])
        worst = max(log_weights, key=lambda name: found[name].odds)
        if found[worst].odds <= _SURE or len(settled) > len(names) - 3:
            break
        last = asked[worst]
        settled = settled | {worst: float(TRIED_ZONES[np.argmax(log_weights[worst])])}
    return focus if last is None else follow(last), tuple(found[name] for name in names)


def _asked(course: Course, frames: Sequence[Frame], focus: NightFocus, name: str) -> Course:
    """The course for asking a filter, by what the frames of the others say."""
    # Its nodes are the likeliest stars with their coefficients, each with all that the sides of
    # focus may differ in: what they differ in is every filter's own, so that for the others the
    # likeliest is taken.
    sides, every = course.sides, course.nodes
    likeliest = int(np.argmax(np.bincount(focus.nodes.star % sides, focus.weights)))
    seen = zip(course.exposures, frames, strict=True)
    others = [Frame() if one.filter == name else frame for one, frame in seen]
    alike = every.part(every.star % sides == likeliest)
    best = course.chain.after(others, course.steps(), alike).likeliest(0.0, _MOST_ASKED)
    same = every.star // sides == best.star[:, None] // sides
    same &= (every.coefficient == best.coefficient[:, None]).all(axis=2)
    nodes = every.part(same.any(axis=0))
    # Only these stars are looked at, each once a frame.
    stars, number = np.unique(nodes.star, return_inverse=True)
    tables = {
        other: table.of_stars(stars if other == name else stars // sides * sides + likeliest)
        for other, table in course.tables.items()
    }
    return replace(course, tables=tables, nodes=replace(nodes, star=number), question=name)


def evidence_of(last: Belief) -> np.ndarray:
    """Ln evidence of each error tried; minus infinity for those that were left behind."""
    mine = last.offset_zones == TRIED_ZONES[:, None]
    # Of hundreds of frames the evidence is beyond what exp can hold, so weights of 0 will not do.
    log = np.where(mine, last.log_evidence + last.log_prior, -np.inf)
    return np.asarray(logsumexp(log, axis=1))


def _ask(course: Course) -> tuple[FilterOffset, np.ndarray]:
    """What the night says of the offset in question, and ln weight of the errors tried."""
    name = course.question
    frames = int(np.isfinite(course.column("hfr_px")[course.column("filter") == name]).sum())
    evidence = evidence_of(course.chain.after(course.frames(), course.steps(), course.nodes))
    own = course.equipment.offset_steps[name].sigma / course.equipment.zone_steps
    sigma = math.hypot(0.0 if math.isnan(own) else own, _RIGHT_ZONES)
    right = evidence + log_softmax(-0.5 * (TRIED_ZONES / sigma) ** 2)
    wrong = evidence + log_softmax(-0.5 * (TRIED_ZONES / PRIORS.offset_wrong_zones) ** 2)
    # Of the night alone, then with what is believed beforehand.
    factor = logsumexp(wrong) - logsumexp(right)
    odds = factor + math.log(PRIORS.offset_wrong / (1 - PRIORS.offset_wrong))
    weight = np.exp(wrong - logsumexp(wrong))
    error, sigma, sided = signed(weight, TRIED_ZONES, near=_NEAR_ZONES)
    agrees = None
    if frames >= _LEAST_FRAMES:
        # Few offsets are off, so a night that tells nothing makes none of them likely: that one
        # agrees, to a zone, must be as sure with even odds beforehand.
        far = weight[np.abs(TRIED_ZONES) > _AGREES_ZONES].sum() / (1 + np.exp(-factor))
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
    return offset, wrong
