"""What the frames say of best focus: an average over the seeing's scatter and what is lacking."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import logsumexp

from ..estimate import Estimate
from ..optics.sizes import star_radii
from .night import FIRST, LOG_SLOPE, ZERO, Ending, Night, without_colour
from .search import Fit, descend, find, log_likelihood, variance_of, weighed
from .statistics import JITTERS, LACKS, PRIORS, believe, log_usual

ROUNDS, CLOSE = 14, 3e-3
"""Of the search for wrecks at most; where misses move by less than this of their sigma, the last.
"""
GRID = 41
"""Places where the smallest radius is looked for first."""
POLISHING = 30
UNLIKELY = 1e-5
"""Scatters less likely than this where all were tried are left out in the end."""
AT_ONCE = 2_000_000
"""Numbers in an array of grid points x frames x quantities: 16 MB."""


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Normal distributions of the quantities, one for each of g pairs of scatters, and weights."""

    fit: Fit
    """Likeliest quantities, about which all is linear."""
    weight: np.ndarray
    jitter: np.ndarray
    lack: np.ndarray
    best_steps: np.ndarray
    """Best focus of the m sweeps, (g, m), and its ``covariance`` (g, m, m)."""
    covariance: np.ndarray
    values: np.ndarray
    """The quantities (g, p), and their covariance ``known`` (g, p, p)."""
    known: np.ndarray
    floor_spread: np.ndarray
    """Standard deviations of the smallest radii, pixels: (g, m)."""
    sound: np.ndarray
    """Probability that a frame is sound: (n,)."""
    log_evidence: float

    def usual(self, scatter: np.ndarray) -> float:
        """Logarithmic mean of ``jitter`` or ``lack``."""
        return float(np.exp(self.weight @ np.log(scatter)))

    @property
    def ending(self) -> Ending:
        """From where a fit of the same sweeps may set out."""
        return Ending(self.fit.values, self.usual(self.jitter), self.usual(self.lack))

    def moments(self, mean: np.ndarray, covariance: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mean (k,) and covariance (k, k) over the grid, of (g, k) and (g, k, k) at its points."""
        middle = self.weight @ mean
        away = mean - middle
        within = np.einsum("g,gij->ij", self.weight, covariance)
        return middle, within + np.einsum("g,gi,gj->ij", self.weight, away, away)

    def quantity(self, index: int) -> Estimate:
        """One of the night's quantities."""
        one = slice(index, index + 1)
        middle, variance = self.moments(self.values[:, one], self.known[:, one, one])
        return Estimate(float(middle[0]), float(np.sqrt(variance[0, 0])))


def explain(night: Night) -> Posterior:
    """Find the likeliest quantities and average over the grid of scatters.

    Through few bands the colour of the lens is mixed up with the rest of its shape: there the
    average is also over lenses with colour and without.
    """
    found = _explain(night)
    if len(set(night.bands)) > PRIORS.few_bands:
        return found
    plain = _explain(replace(night, prior=without_colour(night), near=None))
    before = np.log([1 - PRIORS.plain, PRIORS.plain])
    evidence = np.array([found.log_evidence, plain.log_evidence]) + before
    share = np.exp(evidence - np.logaddexp(*evidence))
    return averaged((found, plain), share, log_evidence=float(np.logaddexp(*evidence)))


def averaged(parts: tuple[Posterior, ...], share: np.ndarray, *, log_evidence: float) -> Posterior:
    """One posterior of several, each with its share."""
    grids = ("jitter", "lack", "best_steps", "covariance", "values", "known", "floor_spread")
    return Posterior(
        fit=parts[int(np.argmax(share))].fit,
        weight=np.concatenate([s * one.weight for s, one in zip(share, parts, strict=True)]),
        sound=share @ np.array([one.sound for one in parts]),
        log_evidence=log_evidence,
        **{name: np.concatenate([getattr(one, name) for one in parts]) for name in grids},
    )


def _explain(night: Night) -> Posterior:
    jitter, lack = np.repeat(JITTERS, LACKS.size), np.tile(LACKS, JITTERS.size)
    end = night.near
    if end is None:
        fit = find(night, jitter=PRIORS.jitter, lack=PRIORS.lack)
        weight = _solve(night, fit, jitter, lack).weight
        shaken, lacking = (float(np.exp(weight @ np.log(scatter))) for scatter in (jitter, lack))
        end = Ending(fit.values, shaken, lacking)
        jitter, lack = jitter[weight > UNLIKELY], lack[weight > UNLIKELY]
    fit = descend(night, end.values, jitter=end.jitter, lack=end.lack, steps=POLISHING)
    found = _solve(night, fit, jitter, lack)
    place, lever = best_focus(night, fit.values)
    floor = night.at(place, np.arange(len(place)))
    rise = floor.slopes(fit.values, floor.sizes(fit.values))
    return Posterior(
        fit=fit,
        weight=found.weight,
        jitter=jitter,
        lack=lack,
        best_steps=place + found.shift @ lever.T,
        covariance=lever @ found.known @ lever.T,
        values=fit.values + found.shift,
        known=found.known,
        floor_spread=np.sqrt(((rise @ found.known) * rise).sum(axis=-1)),
        sound=found.weight @ found.sound,
        log_evidence=float(logsumexp(found.evidence)) + night.prior.log_density(fit.values),
    )


class _Answers(NamedTuple):
    """At each of g pairs of scatters: log evidence, shift of quantities, covariance, soundness."""

    evidence: np.ndarray
    shift: np.ndarray
    known: np.ndarray
    sound: np.ndarray

    @property
    def weight(self) -> np.ndarray:
        """Evidence, all together 1."""
        weight = np.exp(self.evidence - self.evidence.max())
        return weight / weight.sum()


def _solve(night: Night, fit: Fit, jitter: np.ndarray, lack: np.ndarray) -> _Answers:
    """All grid points, as many at once as memory should hold."""
    parts = -(-jitter.size * night.sweep.size * fit.values.size // AT_ONCE)
    pairs = zip(np.array_split(jitter, parts), np.array_split(lack, parts), strict=True)
    solved = [_solve_together(night, fit, *pair) for pair in pairs]
    return _Answers(*(np.concatenate(column) for column in zip(*solved, strict=True)))


def _solve_together(night: Night, fit: Fit, jitter: np.ndarray, lack: np.ndarray) -> _Answers:
    """Normal distributions of the quantities; which frames are wrecked is found by turns."""
    precision, pull, _ = night.prior.normal(fit.values)
    slopes, miss = night.slopes(fit.values, fit.sizes), night.radius_px - fit.sizes.radius
    variance = variance_of(night, fit.sizes, jitter=jitter[:, None], lack=lack[:, None])
    spare, left, doubt = variance.common**2, miss + 0 * variance.sound, 0.0
    for _ in range(ROUNDS):
        belief = believe(left, variance.sound, wild=variance.wild, doubt=spare + doubt)
        normal, right = weighed(night, slopes, miss, belief.weight, variance.common)
        normal = normal + np.diag(precision)
        known = np.linalg.inv(normal)
        shift = np.einsum("gij,gj->gi", known, right - pull)
        before, left = left, miss - shift @ slopes.T
        doubt = ((slopes @ known) * slopes).sum(axis=-1)
        if np.all(np.abs(left - before) < CLOSE * np.sqrt(variance.sound)):
            break
    evidence = log_likelihood(night, left, belief, variance) - 0.5 * np.linalg.slogdet(normal)[1]
    evidence -= 0.5 * shift**2 @ precision + shift @ pull
    return _Answers(evidence + log_usual(jitter, lack), shift, known, belief.sound)


def best_focus(night: Night, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions of the smallest radius at the median seeing, and their derivatives (m, p)."""
    which = np.arange(len(night.bands))
    usual = values.copy()
    usual[FIRST + 1 :: 3] = np.median(values[FIRST + 1 :: 3])
    reach = 1.2 * max(float(np.ptp(night.position_steps[night.sweep == s])) for s in which)
    grid = np.linspace(-reach, reach, GRID)
    places = (usual[ZERO] + usual[FIRST::3, None] + grid).ravel()
    around = night.at(places, np.repeat(which, grid.size))
    radius = star_radii(around.stars, around.state(usual)).reshape(-1, grid.size)
    best = values[ZERO] + values[FIRST::3] + grid[np.argmin(radius, axis=1)]
    close = float(radius.min() / np.exp(values[LOG_SLOPE]))
    step = float(grid[1] - grid[0])
    for _ in range(6):
        pair = night.at(np.concatenate([best - step / 2, best + step / 2]), np.tile(which, 2))
        down, up = pair.sizes(usual).by_blur.reshape(2, -1)
        move = np.clip(-(down + up) / 2 * step / np.maximum(up - down, 1e-9), -step, step)
        best = best + move
        if np.abs(move).max() < 1e-3 * close:
            break
        step = max(float(np.abs(move).max()) * 2, 0.02 * close)
    # There dR/dx = 0; how it moves follows from how that slope changes.
    sides = np.concatenate([best - 0.05 * close, best + 0.05 * close])
    pair = night.at(sides, np.tile(which, 2))
    before, after = pair.slopes(usual, pair.sizes(usual)).reshape(2, which.size, -1)
    change = after - before
    change[:, FIRST + 1 :: 3] = 0.0
    return best, change / change[which, FIRST + 3 * which][:, None]


def completed(night: Night, fit: Fit) -> np.ndarray:
    """Radius of half of all the light of each frame's star over the radius fitted: (n,)."""
    frames = ~night.inner
    whole = night.at(night.places(fit.values)[frames], night.sweep[frames]).stars
    return star_radii(whole, night.state(fit.values)) / fit.sizes.radius[frames]


def gain_over_flat(night: Night, found: Posterior, row: int) -> float:
    """Twice the log likelihood ratio of a sweep's curve to stars that only the seeing changes.

    Each at the scatter of the seeing that suits it best, what is usual of it taken into account.
    """
    mine = night.frames(row)
    radius, sizes, lack = night.radius_px[mine], found.fit.sizes, found.usual(found.lack)
    own, wild = night.sigma_px[mine] ** 2 + (lack * radius) ** 2, (PRIORS.wreck_size * radius) ** 2

    def best(expected: np.ndarray, by_log_seeing: np.ndarray) -> float:
        sound = own + (JITTERS[:, None] * by_log_seeing) ** 2
        likely = believe(radius - expected, sound, wild=wild).log_likelihood.sum(axis=1)
        return float(np.max(likely + log_usual(JITTERS, lack)))

    flat = np.full(radius.size, np.median(radius))
    return 2 * (best(sizes.radius[mine], sizes.by_log_seeing[mine]) - best(flat, flat))
