"""What the frames say of best focus: an average over the seeing's scatter and what is lacking."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import logsumexp

from ..estimate import Estimate
from ..optics.sizes import star_radii
from .fitted import Ending
from .night import FIRST, LOG_SEEINGS, LOG_SLOPE, OWN, ZERO, ZEROS, Night, without_colour
from .search import POLISHING, Fit, descend, find
from .statistics import JITTERS, LACKS, PRIORS, log_usual

ROUNDS, CLOSE = 14, 3e-3
"""Of the search for wrecks at most; where misses move by less than this of their sigma, the last.
"""
GRID = 41  # places where the smallest radius is looked for first
UNLIKELY = 1e-5  # scatters less likely than this where all were tried are left out in the end
AT_ONCE = 2_000_000  # numbers in an array of grid points x frames x quantities: 16 MB


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Normal distributions of the quantities, one for each of g points: pairs of scatters."""

    fit: Fit  # likeliest quantities, about which all is linear
    jitter: np.ndarray
    lack: np.ndarray
    evidence: np.ndarray  # its logarithm at each point
    values: np.ndarray  # the quantities (g, p), and their covariance ``known`` (g, p, p)
    known: np.ndarray
    soundness: np.ndarray  # probability that an entry is sound: (g, n)
    best_steps: np.ndarray  # best focus of the m sweeps, (g, m), and its ``covariance`` (g, m, m)
    covariance: np.ndarray
    floor_spread: np.ndarray  # standard deviations of the smallest radii, pixels: (g, m)

    @property
    def weight(self) -> np.ndarray:
        """Of each point, all together 1."""
        return np.exp(self.evidence - self.log_evidence)

    @property
    def log_evidence(self) -> float:
        """Of all points together."""
        return float(logsumexp(self.evidence))

    @property
    def sound(self) -> np.ndarray:
        """Probability that an entry is sound: (n,)."""
        return self.weight @ self.soundness

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


def together(parts: Sequence[Posterior], log_weight: ArrayLike) -> Posterior:
    """One posterior of several, the evidence of each times a weight; the likeliest one's fit."""
    evidence = [p.evidence + more for p, more in zip(parts, np.asarray(log_weight), strict=True)]
    grids = [name for name in Posterior.__slots__ if name not in ("fit", "evidence")]
    return Posterior(
        fit=parts[int(np.argmax([logsumexp(one) for one in evidence]))].fit,
        evidence=np.concatenate(evidence),
        **{name: np.concatenate([getattr(one, name) for one in parts]) for name in grids},
    )


def explain(night: Night) -> Posterior:
    """Find the likeliest quantities and average over the grid of scatters.

    Through few bands the colour of the lens is mixed up with the rest of its shape: there the
    average is also over lenses with colour and without.
    """
    found = _explain(night)
    if len(set(night.bands)) > PRIORS.few_bands:
        return found
    plain = _explain(replace(night, prior=without_colour(night), near=None))
    return together((found, plain), np.log([1 - PRIORS.plain, PRIORS.plain]))


def _explain(night: Night) -> Posterior:
    jitter, lack = np.repeat(JITTERS, LACKS.size), np.tile(LACKS, JITTERS.size)
    end = night.near
    if end is None:
        fit = find(night, jitter=PRIORS.jitter, lack=PRIORS.lack)
        first = _over_grid(night, fit, jitter, lack)
        end, likely = first.ending, first.weight > UNLIKELY
        jitter, lack = jitter[likely], lack[likely]
    fit = descend(night, end.values, jitter=end.jitter, lack=end.lack, steps=POLISHING)
    found = _over_grid(night, fit, jitter, lack)
    place, lever = best_focus(night, fit.values)
    floor = night.at(place, np.arange(len(place)))
    rise = floor.slopes(fit.values, floor.sizes(fit.values))
    return replace(
        found,
        evidence=found.evidence + night.prior.log_density(fit.values),
        best_steps=place + (found.values - fit.values) @ lever.T,
        covariance=lever @ found.known @ lever.T,
        floor_spread=np.sqrt(((rise @ found.known) * rise).sum(axis=-1)),
    )


def _over_grid(night: Night, fit: Fit, jitter: np.ndarray, lack: np.ndarray) -> Posterior:
    """Quantities at all pairs of scatters, as many at once as memory should hold."""
    parts = -(-jitter.size * night.sweep.size * fit.values.size // AT_ONCE)
    pairs = zip(np.array_split(jitter, parts), np.array_split(lack, parts), strict=True)
    solved = [_solved(night, fit, *pair) for pair in pairs]
    return together(solved, [0.0] * parts)


def _solved(night: Night, fit: Fit, jitter: np.ndarray, lack: np.ndarray) -> Posterior:
    """Normal distributions of the quantities; which frames are wrecked is found by turns."""
    precision, down, _ = night.prior.normal(fit.values)
    slopes, miss = night.slopes(fit.values, fit.sizes), night.radius_px - fit.sizes.radius
    scatter = night.scatter(fit.sizes, jitter[:, None], lack[:, None])
    left, doubt = miss + 0 * scatter.sound, np.zeros_like(scatter.sound)
    for _ in range(ROUNDS):
        belief = scatter.believe(left, doubt)
        normal, pull = scatter.normal_equations(slopes, miss, belief.weight)
        normal = normal + np.diag(precision)
        known = np.linalg.inv(normal)
        shift = np.einsum("gij,gj->gi", known, pull - down)
        before, left = left, miss - shift @ slopes.T
        doubt = ((slopes @ known) * slopes).sum(axis=-1)
        if np.all(np.abs(left - before) < CLOSE * np.sqrt(scatter.sound)):
            break
    evidence = scatter.log_likelihood(left, belief) - 0.5 * np.linalg.slogdet(normal)[1]
    evidence += log_usual(jitter, lack) - 0.5 * shift**2 @ precision - shift @ down
    nothing = np.zeros((jitter.size, 0))
    return Posterior(
        fit, jitter, lack, evidence, fit.values + shift, known, belief.sound,
        best_steps=nothing, covariance=nothing, floor_spread=nothing,
    )  # fmt: skip


def best_focus(night: Night, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Positions of the smallest radius at the median seeing, and their derivatives (m, p)."""
    which, usual = np.arange(len(night.bands)), values.copy()
    usual[LOG_SEEINGS] = np.median(values[LOG_SEEINGS])
    reach = 1.2 * max(float(np.ptp(night.position_steps[night.sweep == s])) for s in which)
    zero, grid = values[ZERO] + values[ZEROS], np.linspace(-reach, reach, GRID)
    places = (zero[:, None] + grid).ravel()
    radius = radii_at(night, usual, places, np.repeat(which, GRID)).reshape(-1, GRID)
    best, step = zero + grid[np.argmin(radius, axis=1)], float(grid[1] - grid[0])
    close = float(radius.min() / np.exp(values[LOG_SLOPE]))

    def beside(best: np.ndarray, away: float) -> tuple[np.ndarray, np.ndarray]:
        """Slopes of the radii by all quantities, on both sides of the places."""
        pair = night.at(np.concatenate([best - away, best + away]), np.tile(which, 2))
        before, after = pair.slopes(usual, pair.sizes(usual)).reshape(2, which.size, -1)
        return before, after

    for _ in range(6):
        down, up = (-side[:, ZERO] for side in beside(best, step / 2))
        move = np.clip(-(down + up) / 2 * step / np.maximum(up - down, 1e-9), -step, step)
        best = best + move
        if np.abs(move).max() < 1e-3 * close:
            break
        step = max(float(np.abs(move).max()) * 2, 0.02 * close)
    # There dR/dx = 0; how it moves follows from how that slope changes.
    before, after = beside(best, 0.05 * close)
    change = after - before
    change[:, LOG_SEEINGS] = 0.0
    return best, change / change[which, FIRST + OWN * which][:, None]


def radii_at(
    night: Night, values: np.ndarray, position_steps: np.ndarray, sweep: np.ndarray
) -> np.ndarray:
    """Radii of half of all the light, in frames elsewhere."""
    there = night.at(position_steps, sweep)
    return star_radii(there.stars, there.state(values))
