"""Forwards and backwards through a night on a grid of defocus and seeing, exactly.

Nodes are values of what does not change in a night (coefficient, star, an offset); each has a grid
of its own, and its evidence weighs it.
"""

from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr

from .emission import Likelihood
from .model import DEFOCUS_ZONES, STEP_ZONES, NightPriors

_LEAST_WEIGHT, _MOST_NODES = 1e-3, 36
#: Variance in squared cells of the grid from which on steps are taken as normal.
_WIDE = 0.5
#: Nodes of less weight than this are not followed any further.
_NO_WEIGHT = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """From one frame to the next: hours, what has changed, a known move in zones.

    ``changed`` (R,) are the regressors of `Nodes.coefficient`.
    """

    hours: float = 0.0
    changed: tuple[float, ...] = (0.0,)
    move_zones: float = 0.0
    move_sigma: float = 0.0
    refocus: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Nodes:
    """What does not change in a night, one entry a node.

    (n, R) array: zones per unit of each regressor (temperature or time alone as a rule); (n,)
    arrays: number of the star (its air, what its shape lacks), error of the offset in question.
    """

    coefficient: np.ndarray
    star: np.ndarray
    offset_zones: np.ndarray
    log_prior: np.ndarray

    def part(self, which: np.ndarray) -> "Nodes":
        """Some of the nodes."""
        return Nodes(*(getattr(self, name)[which] for name in self.__slots__))

    def doubled(self, first: float) -> "Nodes":
        """Each node with two stars for its one, of which the first has this prior probability."""
        both = self.part(np.repeat(np.arange(len(self)), 2))
        second = np.tile([0, 1], len(self))
        chance = np.where(second, 1 - first, first)
        return replace(both, star=2 * both.star + second, log_prior=both.log_prior + np.log(chance))

    def __len__(self) -> int:
        return len(self.coefficient)


@dataclass(frozen=True, slots=True, eq=False)
class State:
    """Where the night stands: probability of (node, x, v), and ln evidence of each node."""

    nodes: Nodes
    grid: np.ndarray
    log_evidence: np.ndarray

    @property
    def weights(self) -> np.ndarray:
        """Posterior weights of the nodes."""
        log = self.log_evidence + self.nodes.log_prior
        weight = np.exp(log - log.max())
        return np.asarray(weight / weight.sum())

    def part(self, which: np.ndarray) -> "State":
        """Some of the nodes."""
        return State(self.nodes.part(which), self.grid[which], self.log_evidence[which])

    def pruned(self) -> "State":
        """The same without the nodes that no longer matter."""
        weights = self.weights
        some = weights > _NO_WEIGHT * weights.max()
        return self if some.all() else self.part(np.flatnonzero(some))

    def likeliest(self) -> Nodes:
        """The nodes that matter, so few that a long night fits into memory."""
        weights = self.weights
        best = np.argsort(-weights, kind="stable")[:_MOST_NODES]
        return self.nodes.part(np.sort(best[weights[best] > _LEAST_WEIGHT * weights.max()]))

    def with_offsets(self, zones: np.ndarray) -> "State":
        """The same belief for each error of the offset in question."""
        every = self.part(np.tile(np.arange(len(self.nodes)), zones.size))
        errors = np.repeat(zones, len(self.nodes))
        return replace(every, nodes=replace(every.nodes, offset_zones=errors))


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """The grids and priors by which a night is followed."""

    log_seeing: np.ndarray
    arcsec_per_px: float
    priors: NightPriors

    def start(self, nodes: Nodes) -> State:
        """What is believed before the first frame."""
        p = self.priors
        x = (1 - p.start_anyhow) * self._focused() + p.start_anyhow / DEFOCUS_ZONES.size
        v = np.ones(self.log_seeing.size)
        if np.isfinite(self.arcsec_per_px):
            middle = np.log(p.seeing_arcsec / self.arcsec_per_px)
            v = np.exp(-0.5 * ((self.log_seeing - middle) / p.seeing_log_sigma) ** 2)
        grid = np.outer(x, v / v.sum()).astype(np.float32)
        return State(nodes, np.repeat(grid[None], len(nodes), 0), np.zeros(len(nodes)))

    def kernels(self, step: Step, nodes: Nodes) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Transitions of x (C, D, D) and v (V, V), and which of the C each node follows, (n,)."""
        p, wander = self.priors, np.sqrt(step.hours)
        kinds, which = np.unique(nodes.coefficient, axis=0, return_inverse=True)
        shift = step.move_zones - kinds @ step.changed
        sigma = np.hypot(p.walk_zones * wander, step.move_sigma)
        kept = _gaussian(DEFOCUS_ZONES, shift, float(sigma) + 1e-9)
        row = (1 - p.slip_chance - step.refocus) * kept + p.slip_chance * _slips(p.slip_zones)
        across = row + step.refocus * self._focused()
        along = _gaussian(self.log_seeing, np.zeros(1), float(p.seeing_wander * wander) + 1e-9)[0]
        return across.astype(np.float32), along.astype(np.float32), which.ravel()

    def _focused(self) -> np.ndarray:
        focused = np.exp(-0.5 * (DEFOCUS_ZONES / self.priors.start_zones) ** 2)
        return np.asarray(focused / focused.sum())

    def moved(self, state: State, step: Step) -> State:
        """The belief brought to the next frame."""
        across, along, which = self.kernels(step, state.nodes)
        grid = state.grid @ along
        for k, one in enumerate(across):
            grid[which == k] = one.T @ grid[which == k]
        return replace(state, grid=grid)

    def told(self, state: State, frame: "Seen") -> State:
        """The belief after a frame."""
        seen = frame.at(state.nodes, self.log_seeing)
        if seen is None:
            return state
        grid = state.grid * seen
        total = grid.sum(axis=(1, 2), keepdims=True)
        log = state.log_evidence + np.log(total[:, 0, 0])
        return replace(state, grid=grid / total, log_evidence=log)

    def forward(
        self,
        frames: Sequence["Seen"],
        steps: Sequence[Step],
        nodes: Nodes,
        *,
        offsets: np.ndarray | None = None,
        pruned: bool = False,
    ) -> Iterator[State]:
        """The belief after each frame, by what came before it; ``steps[0]`` is not used.

        ``offsets`` are errors of the offset in question; each node takes each of them from the
        first frame on that bears it. ``pruned`` leaves behind nodes that no longer matter.
        """
        state = self.start(nodes)
        for k, frame in enumerate(frames):
            if k:
                state = self.moved(state, steps[k])
            if frame.in_question and offsets is not None:
                state, offsets = state.with_offsets(offsets), None
            state = self.told(state, frame)
            state = state.pruned() if pruned else state
            yield state

    def after(
        self,
        frames: Sequence["Seen"],
        steps: Sequence[Step],
        nodes: Nodes,
        offsets: np.ndarray | None = None,
    ) -> State:
        """The belief after all frames, for the nodes that still matter then."""
        states = self.forward(frames, steps, nodes, offsets=offsets, pruned=True)
        return deque(states, maxlen=1)[0]

    def smooth(
        self, frames: Sequence["Seen"], steps: Sequence[Step], nodes: Nodes
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Probability of x by the whole night (K, n, D), mean v (K,), weights of the nodes (n,)."""
        past = list(self.forward(frames, steps, nodes))
        weights = past[-1].weights
        after = np.ones_like(past[-1].grid)
        defocus = np.empty((len(frames), len(nodes), DEFOCUS_ZONES.size))
        seeing = np.empty(len(frames))
        for k in range(len(frames) - 1, -1, -1):
            both = past[k].grid * after
            both = both / both.sum(axis=(1, 2), keepdims=True)
            defocus[k] = both.sum(2)
            seeing[k] = weights @ (both.sum(1) @ self.log_seeing)
            if k:
                told = frames[k].at(nodes, self.log_seeing)
                after = after if told is None else after * told
                across, along, which = self.kernels(steps[k], nodes)
                after = across[which] @ after @ along.T
                after = after / after.max(axis=(1, 2), keepdims=True)
        return defocus, seeing, weights


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """A frame in the chain: its likelihood at its own defocus, and whose offset it bears.

    ``in_question`` says whether the nodes' offset error is that of its filter, ``offset_zones`` is
    an error that is settled.
    """

    likelihood: Likelihood | None
    in_question: bool = False
    offset_zones: float = 0.0

    def places(self, nodes: Nodes) -> np.ndarray:
        """Where on ``DEFOCUS_ZONES`` the frame stands if the telescope stands at each, (n, D)."""
        zones = nodes.offset_zones if self.in_question else np.full(len(nodes), self.offset_zones)
        place = np.arange(DEFOCUS_ZONES.size) + np.rint(zones / STEP_ZONES).astype(int)[:, None]
        return np.clip(place, 0, DEFOCUS_ZONES.size - 1)

    def at(self, nodes: Nodes, log_seeing: np.ndarray) -> np.ndarray | None:
        """Likelihood over (node, x, v)."""
        if self.likelihood is None:
            return None
        stars, which = np.unique(nodes.star, return_inverse=True)
        plain = self.likelihood.at(stars, log_seeing).astype(np.float32)
        return np.asarray(plain[which[:, None], self.places(nodes)])


def _gaussian(grid: np.ndarray, shift: np.ndarray, sigma: float) -> np.ndarray:
    """Transitions by normal steps of some means (m,), (m, D, D), with exactly their moments."""
    # Of a step by t cells between two grid points, shared out linearly, the mean is kept, and the
    # variance grows by f (1 - f), f the fraction of t: by 1/6 on average. That much is taken off
    # beforehand. Steps shorter than the cells go to three points whose mean and variance are
    # theirs, as far as the two nearest do not have more already. What would leave stays at the end.
    step, count = grid[1] - grid[0], grid.size
    mean, variance = shift[:, None] / step, (sigma / step) ** 2
    gap = np.arange(1 - count, count) - mean
    if variance > _WIDE:
        width = np.sqrt(variance - 1 / 6)

        def ramp(t: np.ndarray) -> np.ndarray:  # integral of the cumulative normal
            z = t / width
            return np.asarray(t * ndtr(z) + width * np.exp(-z * z / 2) / np.sqrt(2 * np.pi))

        line = np.maximum(ramp(gap + 1) - 2 * ramp(gap) + ramp(gap - 1), 0.0)
    else:
        whole = np.rint(mean)
        part = mean - whole
        square = np.maximum(variance + part**2, np.abs(part))
        away = np.arange(1 - count, count) - whole
        sides = np.where(np.abs(away) == 1, (square + away * part) / 2, 0.0)
        line = np.where(away == 0, 1 - square, sides)
    kernel = line[:, np.arange(count) - np.arange(count)[:, None] + count - 1]
    lost = np.maximum(1 - kernel.sum(2), 0.0)
    out = np.arange(count) + mean > (count - 1) / 2
    kernel[:, :, -1] += np.where(out, lost, 0.0)
    kernel[:, :, 0] += np.where(out, 0.0, lost)
    return np.asarray(kernel / kernel.sum(2, keepdims=True))


@lru_cache(maxsize=4)
def _slips(scale_zones: float) -> np.ndarray:
    """Transition by a slip."""
    gap = np.abs(DEFOCUS_ZONES - DEFOCUS_ZONES[:, None])
    row = np.exp(-gap / scale_zones)
    return np.asarray(row / row.sum(1, keepdims=True))
