"""What the night says of each frame: growth by defocus, chance that it is lost, defocus."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ..estimate import Estimate
from .chain import Nodes, Seen
from .course import Course, seen_frame, steps_between, untold_filters, usual_elongation
from .emission import growth_without_radius
from .model import DEFOCUS_ZONES
from .observed import Exposure

LOST, HELD = 0.95, 0.05
SURE_SIDE = 0.9973
"""A side is told from here on: a wrong one is an error beyond 3 sigma, and must be as rare as
that (normal distribution)."""
Verdict = Literal["held", "lost", "unclear"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FrameFocus:
    """One frame's focus.

    Attributes
    ----------
    probability_lost : float
        That defocus alone makes the stars grow by more than the limit.
    growth, growth_sigma : float
        By which defocus alone makes the stars grow.
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NightFocus:
    """The course of a night.

    ``defocus`` (K, D) is the probability of the telescope's defocus on ``DEFOCUS_ZONES``,
    ``coefficient`` in zones per degree or per hour, ``weights`` (n,) those of the nodes.
    """

    frames: tuple[FrameFocus, ...]
    defocus: np.ndarray
    coefficient: Estimate
    nodes: Nodes
    weights: np.ndarray


def follow(course: Course, exposures: Sequence[Exposure], *, limit: float) -> NightFocus:
    """Judge all frames of a night, in order of time, by all of it.

    ``limit`` is the growth, a fraction, beyond which focus counts as lost.
    """
    seen = [seen_frame(course, e) for e in exposures]
    steps = steps_between(course, exposures)
    chosen = course.chain.after(seen, steps, course.nodes, course.tried).likeliest()
    defocus, seeing, weights = course.chain.smooth(seen, steps, chosen)
    frames = [
        frame_focus(course, one, frame, chosen, weights[:, None] * spread, v, limit=limit)
        for one, frame, spread, v in zip(exposures, seen, defocus, seeing, strict=True)
    ]
    return _night_focus(course, frames, np.einsum("n,knd->kd", weights, defocus), chosen, weights)


class LiveNight:
    """A night judged while it goes on: each frame by itself and those before it.

    ``limit`` is the growth, a fraction, beyond which focus counts as lost.
    """

    def __init__(self, course: Course, *, limit: float) -> None:
        self.course, self.limit = course, limit
        self.exposures: list[Exposure] = []
        self.frames: list[FrameFocus] = []
        self._rows: list[np.ndarray] = []
        self._state = course.chain.start(course.nodes)

    def add(self, one: Exposure) -> FrameFocus:
        """Judge the next frame."""
        chain, before = self.course.chain, self.exposures[-1:]
        self.exposures.append(one)
        course = self.course
        untold = untold_filters(course.equipment, course.tables, self.exposures)
        elongation = usual_elongation(self.exposures)
        self.course = replace(course, elongation=elongation, untold=untold)
        for step in steps_between(self.course, [*before, one])[1:]:
            self._state = chain.moved(self._state, step)
        frame = seen_frame(self.course, one)
        self._state = state = chain.told(self._state, frame).pruned()
        spread = state.weights[:, None] * state.grid.sum(2)
        v = float(state.weights @ (state.grid.sum(1) @ chain.log_seeing))
        self._rows.append(spread.sum(0))
        self.frames.append(
            frame_focus(self.course, one, frame, state.nodes, spread, v, limit=self.limit)
        )
        return self.frames[-1]

    def focus(self) -> NightFocus:
        """The course of the night so far."""
        nodes, weights = self._state.nodes, self._state.weights
        return _night_focus(self.course, self.frames, np.stack(self._rows), nodes, weights)


def _night_focus(
    course: Course,
    frames: Sequence[FrameFocus],
    defocus: np.ndarray,
    nodes: Nodes,
    weights: np.ndarray,
) -> NightFocus:
    coefficient = nodes.coefficient[:, 0]
    mean = float(weights @ coefficient)
    # The grid's own cell counts too: a night may leave one node of it.
    variance = weights @ (coefficient - mean) ** 2 + course.coefficient_cell**2 / 12
    return NightFocus(
        frames=tuple(frames),
        defocus=defocus,
        coefficient=Estimate(mean, math.sqrt(variance)),
        nodes=nodes,
        weights=weights,
    )


def frame_focus(
    course: Course,
    one: Exposure,
    frame: Seen,
    nodes: Nodes,
    spread: np.ndarray,
    log_seeing: float,
    *,
    limit: float,
) -> FrameFocus:
    """Judge one frame from the weight of each node and defocus of the telescope, (n, D)."""
    if frame.likelihood is None:
        growth = np.expm1(growth_without_radius(course.tables[one.filter], log_seeing))
    else:
        growth = np.expm1(frame.likelihood.growth)
    by_star = np.zeros(growth.shape)
    np.add.at(by_star, (nodes.star[:, None], frame.places(nodes)), spread)
    # The limit falls within a cell of the grid: count the share of the cell that lies beyond.
    per_cell = np.abs(np.gradient(growth, axis=1)) + 1e-9
    beyond = np.clip((growth - limit) / per_cell + 0.5, 0.0, 1.0)
    lost = float((by_star * beyond).sum())
    mean = float((by_star * growth).sum())
    defocus, defocus_sigma, sided = signed(by_star.sum(0))
    return FrameFocus(
        state="unclear"
        if one.filter in course.untold
        else "lost"
        if lost > LOST
        else "held"
        if lost < HELD
        else "unclear",
        probability_lost=lost,
        growth=mean,
        growth_sigma=math.sqrt(float((by_star * (growth - mean) ** 2).sum())),
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
