"""What the frames say of best focus: the likeliest telescope and sky, and how far others are.

The likeliest quantities are found from several starts by damped Newton steps; about them all is
normal, at each pair of the seeing's scatter and of what is lacking, and averaged over these.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import logsumexp

from ..estimate import Estimate
from ..optics.sizes import star_radii
from ..optics.star import colour_terms
from .fitted import Ending
from .night import Night, Q, without_colour
from .statistics import JITTERS, LACKS, PRIORS, Scatter, log_usual

DAMPING = 1e-3
SCREENING, WIDE, POLISHING = 6, 20, 30
ENOUGH = {SCREENING: 0.3, WIDE: 0.05, POLISHING: 1e-2}
"""A descent is at its end where a step gains less."""
STARTS_KEPT = 3
SAME, HOPELESS = 0.3, 20.0
"""Ends of descents whose costs differ by less are one, and by more not worth following."""
COARSE = {"jitter": 0.1, "lack": 0.03}
USUAL = {"jitter": PRIORS.jitter, "lack": PRIORS.lack}
ROUNDS, CLOSE = 14, 3e-3
"""Of the search for wrecks at most; where misses move by less than this of their sigma, the last.
"""
GRID = 41  # places where the smallest radius is looked for first
UNLIKELY = 1e-5  # scatters less likely than this where all were tried are left out in the end
AT_ONCE = 500_000  # numbers in an array of grid points x frames x quantities: 4 MB


class Fit(NamedTuple):
    """Quantities, the radii they make, and minus twice the log of their probability."""

    night: Night
    values: np.ndarray
    radius_px: np.ndarray
    slopes: np.ndarray
    cost: float = np.inf

    @property
    def miss_px(self) -> np.ndarray:
        """By how much the measured radii are larger: (n,)."""
        return self.night.radius_px - self.radius_px

    @property
    def by_log_seeing(self) -> np.ndarray:
        """What the seeing of its own sweep does to a radius: (n,)."""
        return self.slopes[:, Q.LOG_SEEINGS].sum(axis=1)

    def scatter(self, jitter: np.ndarray | float, lack: np.ndarray | float) -> Scatter:
        """Variances at a scatter of the seeing and a share that the model lacks."""
        night, square = self.night, self.radius_px**2
        sound = night.sigma_px**2 + (lack**2 + night.inner * PRIORS.core**2) * square
        wild = PRIORS.wreck_size**2 * square
        return Scatter(sound, wild, jitter * self.by_log_seeing, night.exposure)


def fit_at(night: Night, values: np.ndarray, *, start_px: np.ndarray | None = None) -> Fit:
    """What some quantities make of the night."""
    return Fit(night, values, *night.radii(values, start_px=start_px))


def find(night: Night, *, jitter: float, lack: float) -> Fit:
    """Likeliest quantities of the night, from every start that could lead elsewhere."""
    # With tight variances a whole sweep can pass for wrecked; wide ones first show the way.
    fits = [_bare(descend(night, start, **COARSE, steps=SCREENING)) for start in starts(night)]
    best = _apart(fits)[:STARTS_KEPT]
    fits = [_bare(descend(night, fit.values, **COARSE, steps=WIDE)) for fit in best]
    tight = {"jitter": jitter, "lack": lack}
    ends = [descend(night, fit.values, **tight, steps=POLISHING) for fit in _apart(fits)]
    return min(ends, key=lambda fit: fit.cost)


def _bare(fit: Fit) -> Fit:
    """Without its slopes, which grow with the square of the number of sweeps."""
    return fit._replace(slopes=np.zeros((0, 0)))


def _apart(fits: list[Fit]) -> list[Fit]:
    """Those that ended elsewhere than any better one and not far above, best first."""
    out: list[Fit] = []
    for fit in sorted(fits, key=lambda fit: fit.cost):
        if not out or out[-1].cost + SAME < fit.cost < out[0].cost + HOPELESS:
            out.append(fit)
    return out


def starts(night: Night) -> list[np.ndarray]:
    """A lens without colour, the colour that best foci suggest, strong colours of both signs."""
    slope, best = np.exp(night.start[Q.LOG_SLOPE]), night.start[Q.ZEROS]
    terms = colour_terms(night.middle_um).T
    tried = [np.zeros(3)]
    if np.ptp(night.middle_um) > 0.05:
        away = slope * (best - np.median(best))
        basis = np.column_stack([np.ones(len(best)), terms])
        normal = basis.T @ basis + np.diag([0, 1e-3, 1e-3, 1.0])
        tried.append(np.linalg.solve(normal, basis.T @ away)[1:])
    strong = 500.0 * night.telescope.blur_px_per_um
    tried += [np.array([0.0, strong, 0.0]), np.array([0.0, -strong, 0.0])]
    out = []
    for colour in tried:
        start = night.start.copy()
        start[Q.COLOUR] = colour
        # The zero is the focus of 550 nm; what was seen is that of the band.
        start[Q.ZEROS] = best - terms @ colour / slope
        out.append(start)
    return out


def descend(night: Night, start: np.ndarray, *, jitter: float, lack: float, steps: int) -> Fit:
    """Damped Gauss-Newton steps; wrecked frames and thick filters weigh less at every step."""
    fit, damping = fit_at(night, start), DAMPING
    for _ in range(steps):
        scatter = fit.scatter(jitter, lack)
        before = cost_of(fit, scatter)
        normal, pull, likely = normal_equations(fit, scatter)
        # Radii grow with the square of the spread: what pulls it down pulls ever less.
        normal[Q.LOG_SPREAD, Q.LOG_SPREAD] += 2 * max(-likely[Q.LOG_SPREAD], 0.0)
        scale = np.sqrt(np.diag(normal))
        for _ in range(8):
            damped = normal / np.outer(scale, scale) + damping * np.eye(scale.size)
            step = _bounded(np.linalg.solve(damped, pull / scale) / scale)
            about = np.clip((fit.slopes @ step) / fit.radius_px, -0.5, 0.5)
            trial = fit_at(night, fit.values + step, start_px=fit.radius_px * np.exp(about))
            gain = before - cost_of(trial, scatter)
            # A step that gains as foretold may be followed by a bolder one.
            foretold = float(step @ (2 * pull - normal @ step))
            told = gain / foretold if foretold > 0 else 0.0
            damping *= 0.2 if told > 0.7 else 1.0 if told > 0.3 else 3.0 if told > 0 else 6.0
            damping = max(damping, 1e-6)
            if gain > 0:
                break
        if gain <= 0:
            break
        fit = trial
        if gain < ENOUGH.get(steps, 1e-3):
            break
    return fit._replace(cost=cost_of(fit, fit.scatter(jitter, lack)))


def _bounded(step: np.ndarray) -> np.ndarray:
    """A step shortened so that no size changes by more than a factor e^0.7 and S by 0.5 waves."""
    logs = np.append(step[Q.LOG_SEEINGS], step[Q.LOG_SLOPE])
    most = max(np.abs(logs).max() / 0.7, abs(step[Q.SPHERICAL]) / 0.5, 1.0)
    return step / most


def cost_of(fit: Fit, scatter: Scatter) -> float:
    """Minus twice the log of the posterior probability, but for a constant."""
    likely = scatter.log_likelihood(fit.miss_px, scatter.believe(fit.miss_px))
    return fit.night.prior.normal(fit.values)[2] - 2 * float(likely)


def normal_equations(fit: Fit, scatter: Scatter) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Precision of the quantities, the pull on them, and that of the frames alone."""
    precision, down, _ = fit.night.prior.normal(fit.values)
    weight = scatter.believe(fit.miss_px).weight
    normal, pull = scatter.normal_equations(fit.slopes, fit.miss_px, weight)
    return normal + np.diag(precision), pull - down, pull


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
        fit = find(night, **USUAL)
        first = _over_grid(fit, jitter, lack, covariances=False)
        end, likely = first.ending, first.weight > UNLIKELY
        jitter, lack = jitter[likely], lack[likely]
    fit = descend(night, end.values, jitter=end.jitter, lack=end.lack, steps=POLISHING)
    found = _over_grid(fit, jitter, lack)
    place, lever = best_focus(night, fit.values)
    rise = night.at(place, np.arange(len(place))).radii(fit.values)[1]
    return replace(
        found,
        evidence=found.evidence + night.prior.log_density(fit.values),
        best_steps=place + (found.values - fit.values) @ lever.T,
        covariance=lever @ found.known @ lever.T,
        floor_spread=np.sqrt(((rise @ found.known) * rise).sum(axis=-1)),
    )


def _over_grid(
    fit: Fit, jitter: np.ndarray, lack: np.ndarray, *, covariances: bool = True
) -> Posterior:
    """Quantities at all pairs of scatters, as many at once as memory should hold.

    Without ``covariances`` these, the largest of all, are not kept.
    """
    parts = -(-jitter.size * fit.night.sweep.size * fit.values.size // AT_ONCE)
    solved = []
    for pair in zip(np.array_split(jitter, parts), np.array_split(lack, parts), strict=True):
        one = _solved(fit, *pair)
        solved.append(one if covariances else replace(one, known=np.zeros((len(pair[0]), 0, 0))))
    return together(solved, [0.0] * parts)


def _solved(fit: Fit, jitter: np.ndarray, lack: np.ndarray) -> Posterior:
    """Normal distributions of the quantities; which frames are wrecked is found by turns."""
    precision, down, _ = fit.night.prior.normal(fit.values)
    slopes, miss, scatter = fit.slopes, fit.miss_px, fit.scatter(jitter[:, None], lack[:, None])
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
    usual[Q.LOG_SEEINGS] = np.median(values[Q.LOG_SEEINGS])
    reach = 1.2 * max(float(np.ptp(night.position_steps[night.sweep == s])) for s in which)
    zero, grid = values[Q.ZERO] + values[Q.ZEROS], np.linspace(-reach, reach, GRID)
    places = (zero[:, None] + grid).ravel()
    there = night.at(places, np.repeat(which, GRID))
    radius = star_radii(there.stars, there.state(usual)).reshape(-1, GRID)
    best, step = zero + grid[np.argmin(radius, axis=1)], float(grid[1] - grid[0])
    close = float(radius.min() / np.exp(values[Q.LOG_SLOPE]))

    def beside(best: np.ndarray, away: float) -> tuple[np.ndarray, np.ndarray]:
        """Slopes of the radii by all quantities, on both sides of the places."""
        pair = night.at(np.concatenate([best - away, best + away]), np.tile(which, 2))
        before, after = pair.radii(usual)[1].reshape(2, which.size, -1)
        return before, after

    for _ in range(6):
        down, up = (-side[:, Q.ZERO] for side in beside(best, step / 2))
        move = np.clip(-(down + up) / 2 * step / np.maximum(up - down, 1e-9), -step, step)
        best = best + move
        if np.abs(move).max() < 1e-3 * close:
            break
        step = max(float(np.abs(move).max()) * 2, 0.02 * close)
    # There dR/dx = 0; how it moves follows from how that slope changes.
    before, after = beside(best, 0.05 * close)
    change = after - before
    change[:, Q.LOG_SEEINGS] = 0.0
    return best, change / change[which, Q.FIRST + Q.OWN * which][:, None]


def radii_at(fit: Fit, position_steps: np.ndarray, sweep: np.ndarray) -> np.ndarray:
    """Radii of half of all the light, in frames elsewhere."""
    there = fit.night.at(position_steps, sweep)
    return star_radii(there.stars, there.state(fit.values))
