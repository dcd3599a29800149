"""Forwards and backwards through a night on a grid of defocus and seeing, exactly.

Nodes are values of what does not change in a night (coefficient, star, an offset); each has a grid
of its own, and its evidence weighs it.
"""

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import ndtr, softmax

from .model import DEFOCUS_ZONES, STEP_ZONES, TRIED_ZONES, NightPriors

#: Variance in squared cells of the grid from which on steps are taken as normal.
_WIDE = 0.5
#: Nodes of less than this share of the largest weight are not followed any further.
_NO_WEIGHT = 1e-4
#: Probabilities below this are nothing. Numbers that single precision can hardly hold any more
#: would make the products ten times slower.
_NOTHING = 1e-25


@dataclass(frozen=True, slots=True)
class Step:
    """From one frame to the next: hours, what has changed, a known move in zones.

    ``changed`` (R,) are the regressors of `Belief.coefficient`, ``refocus`` is the chance that
    somebody has focused.
    """

    hours: float = 0.0
    changed: tuple[float, ...] = (0.0,)
    move_zones: float = 0.0
    move_sigma: float = 0.0
    refocus: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Belief:
    """Where the night stands, one entry a node.

    What does not change in a night: zones per unit of each regressor (n, R), number of the star
    (its air, what its shape lacks), error of the offset in question. Then ln prior, ln evidence,
    and the probability of (x, v) on their grid, (n, D, V).
    """

    coefficient: np.ndarray
    star: np.ndarray
    offset_zones: np.ndarray
    log_prior: np.ndarray
    log_evidence: np.ndarray
    grid: np.ndarray

    @property
    def weights(self) -> np.ndarray:
        """Posterior weights of the nodes."""
        return np.asarray(softmax(self.log_evidence + self.log_prior))

    def part(self, which: np.ndarray) -> "Belief":
        """Some of the nodes."""
        return Belief(*(getattr(self, name)[which] for name in self.__slots__))

    def likeliest(self, least: float = _NO_WEIGHT, most: int | None = None) -> "Belief":
        """The nodes that matter: of at least a share of the largest weight, so many at most."""
        weights = self.weights
        best = np.argsort(-weights, kind="stable")[:most]
        best = best[weights[best] > least * weights.max()]
        return self if best.size == weights.size else self.part(np.sort(best))

    def with_offsets(self) -> "Belief":
        """The same belief for each error of the offset in question."""
        count = len(self.star)
        every = self.part(np.tile(np.arange(count), TRIED_ZONES.size))
        return replace(every, offset_zones=np.repeat(TRIED_ZONES, count))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Frame:
    """A frame in the chain.

    ``shown`` (4, A, D) are seeing, spread and height at each star and defocus of the frame's own,
    and ln R50 over its smallest, None where the frame tells nothing; ``wild`` is the chance that
    it shows anything at all. It stands ``offset_zones`` from the telescope, and by the nodes'
    offset error if that of its filter is ``in_question``.
    """

    shown: np.ndarray | None = None
    wild: float = 0.0
    in_question: bool = False
    offset_zones: float = 0.0

    def places(self, belief: Belief) -> np.ndarray:
        """Where on ``DEFOCUS_ZONES`` the frame stands if the telescope stands at each, (n, D)."""
        zones = belief.offset_zones if self.in_question else self.offset_zones + 0.0 * belief.star
        place = np.arange(DEFOCUS_ZONES.size) + np.rint(zones / STEP_ZONES).astype(int)[:, None]
        return np.clip(place, 0, DEFOCUS_ZONES.size - 1)


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """The grids and priors by which a night is followed."""

    log_seeing: np.ndarray
    arcsec_per_px: float
    priors: NightPriors

    def start(
        self,
        coefficient: np.ndarray,
        star: np.ndarray,
        offset_zones: np.ndarray,
        log_prior: np.ndarray,
    ) -> Belief:
        """What is believed before the first frame."""
        p = self.priors
        x = (1 - p.start_anyhow) * self._focused() + p.start_anyhow / DEFOCUS_ZONES.size
        v = np.ones(self.log_seeing.size)
        if np.isfinite(self.arcsec_per_px):
            middle = np.log(p.seeing_arcsec / self.arcsec_per_px)
            v = np.exp(-0.5 * ((self.log_seeing - middle) / p.seeing_log_sigma) ** 2)
        grid = np.outer(x, v / v.sum()).astype(np.float32)
        grid = np.broadcast_to(grid, (len(star), *grid.shape))
        return Belief(coefficient, star, offset_zones, log_prior, np.zeros(len(star)), grid)

    def kernels(self, step: Step, belief: Belief) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Transitions of x (C, D, D) and v (V, V), and which of the C each node follows, (n,)."""
        p, wander = self.priors, np.sqrt(step.hours)
        kinds, which = np.unique(belief.coefficient, axis=0, return_inverse=True)
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

    def moved(self, belief: Belief, step: Step) -> Belief:
        """The belief brought to the next frame."""
        across, along, which = self.kernels(step, belief)
        grid = _sound(belief.grid) @ along
        for k, one in enumerate(across):
            grid[which == k] = one.T @ grid[which == k]
        return replace(belief, grid=grid)

    def likelihood(self, belief: Belief, frame: Frame) -> np.ndarray | float:
        """Of what a frame shows at each (node, x, v): height N(v; seeing, spread), or it is wild.

        Anything at all has a density of about 1 in ln r50 and ln shape, some tens of per cent wide.
        """
        if frame.shown is None:
            return 1.0
        stars, which = np.unique(belief.star, return_inverse=True)
        seeing, spread, height, _ = frame.shown[:, stars, :, None]
        t = (self.log_seeing - seeing) / spread
        good = np.exp(-0.5 * t * t) * (height / spread)
        plain = (1 - frame.wild) * good / math.sqrt(2 * math.pi) + frame.wild
        return np.asarray(plain.astype(np.float32)[which[:, None], frame.places(belief)])

    def told(self, belief: Belief, frame: Frame) -> Belief:
        """The belief after a frame."""
        if frame.shown is None:
            return belief
        grid = belief.grid * self.likelihood(belief, frame)
        total = grid.sum(axis=(1, 2), keepdims=True)
        log = belief.log_evidence + np.log(total[:, 0, 0])
        return replace(belief, grid=grid / total, log_evidence=log)

    def forward(
        self, frames: Sequence[Frame], steps: Sequence[Step], nodes: Belief, *, search: bool = False
    ) -> Iterator[Belief]:
        """The belief after each frame, by what came before it; ``steps[0]`` is not used.

        In a ``search`` each node takes each error of the offset in question, from the first frame
        on that bears it, and nodes that no longer matter are left behind.
        """
        belief = self.start(nodes.coefficient, nodes.star, nodes.offset_zones, nodes.log_prior)
        split = next((k for k, frame in enumerate(frames) if search and frame.in_question), None)
        for k, frame in enumerate(frames):
            if k:
                belief = self.moved(belief, steps[k])
            if k == split:
                belief = belief.with_offsets()
            belief = self.told(belief, frame)
            belief = belief.likeliest() if search else belief
            yield belief

    def after(self, frames: Sequence[Frame], steps: Sequence[Step], nodes: Belief) -> Belief:
        """The belief after all frames, for the nodes that still matter then."""
        return deque(self.forward(frames, steps, nodes, search=True), maxlen=1)[0]

    def smooth(
        self, frames: Sequence[Frame], steps: Sequence[Step], nodes: Belief
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Probability of x by the whole night (K, n, D), mean v (K,), weights of the nodes (n,)."""
        past = list(self.forward(frames, steps, nodes))
        weights = past[-1].weights
        after = np.ones_like(past[-1].grid)
        defocus = np.empty((len(frames), *after.shape[:2]))
        seeing = np.empty(len(frames))
        for k in range(len(frames) - 1, -1, -1):
            both = past[k].grid * after
            both = both / both.sum(axis=(1, 2), keepdims=True)
            defocus[k] = both.sum(2)
            seeing[k] = weights @ (both.sum(1) @ self.log_seeing)
            if k:
                across, along, which = self.kernels(steps[k], nodes)
                after = _sound(after * self.likelihood(nodes, frames[k]))
                after = across[which] @ after @ along.T
                after = after / after.max(axis=(1, 2), keepdims=True)
        return defocus, seeing, weights


def _sound(grid: np.ndarray) -> np.ndarray:
    """The grid without what is nothing."""
    return np.where(grid > _NOTHING, grid, np.float32(0))


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
