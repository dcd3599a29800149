"""Find the likeliest telescope and sky of a night: from several starts, by damped Newton steps."""

from dataclasses import dataclass

import numpy as np

from ..optics.sizes import Sizes
from ..optics.star import colour_terms
from .night import COLOUR, FIRST, LOG_SLOPE, LOG_SPREAD, SPHERICAL, Night
from .statistics import PRIORS, Belief, believe, log_normal, wreck_variance

DAMPING = 1e-3
SCREENING, WIDE, POLISHING = 6, 20, 30
STARTS_KEPT = 3
SAME, HOPELESS = 0.3, 20.0
"""Ends of descents whose costs differ by less are one, and by more not worth following."""
ENOUGH = {SCREENING: 0.3, WIDE: 0.05, POLISHING: 1e-2}
"""A descent is at its end where a step gains less."""
COARSE_JITTER, COARSE_LACK = 0.1, 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Variance:
    """Variances of sound entries and what a wreck adds, (n,); what the seeing scatters in each."""

    sound: np.ndarray
    wild: np.ndarray
    common: np.ndarray
    """Common to an exposure, 1 sigma."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Quantities found, the stars they make, and minus twice the log of their probability."""

    values: np.ndarray
    sizes: Sizes
    cost: float


def variance_of(
    night: Night,
    sizes: Sizes,
    *,
    jitter: np.ndarray | float,
    lack: np.ndarray | float,
) -> Variance:
    """Variances at a scatter of the seeing and a share that the model lacks."""
    return Variance(
        night.sigma_px**2 + (lack**2 + night.inner * PRIORS.core**2) * sizes.radius**2,
        (PRIORS.wreck_size * sizes.radius) ** 2,
        jitter * sizes.by_log_seeing,
    )


def find(night: Night, *, jitter: float, lack: float) -> Fit:
    """Likeliest quantities of the night, from every start that could lead elsewhere."""
    # With tight variances a whole sweep can pass for wrecked; wide ones first show the way.
    wide = {"jitter": COARSE_JITTER, "lack": COARSE_LACK}
    fits = [descend(night, start, **wide, steps=SCREENING) for start in starts(night)]
    best = _apart(fits)[:STARTS_KEPT]
    fits = [descend(night, fit.values, **wide, steps=WIDE) for fit in best]
    ends = [
        descend(night, fit.values, jitter=jitter, lack=lack, steps=POLISHING)
        for fit in _apart(fits)
    ]
    return min(ends, key=lambda fit: fit.cost)


def _apart(fits: list[Fit]) -> list[Fit]:
    """Those that ended elsewhere than any better one and not far above, best first."""
    out: list[Fit] = []
    for fit in sorted(fits, key=lambda fit: fit.cost):
        if not out or out[-1].cost + SAME < fit.cost < out[0].cost + HOPELESS:
            out.append(fit)
    return out


def starts(night: Night) -> list[np.ndarray]:
    """A lens without colour, the colour that best foci suggest, strong colours of both signs."""
    slope = np.exp(night.start[LOG_SLOPE])
    middle = np.array([b.wavelength_nm for b in night.bands]) * 1e-3
    terms = colour_terms(middle).T
    best = night.start[FIRST::3]
    tried = [np.zeros(3)]
    if np.ptp(middle) > 0.05:
        away = slope * (best - np.median(best))
        basis = np.column_stack([np.ones(len(best)), terms])
        normal = basis.T @ basis + np.diag([0, 1e-3, 1e-3, 1.0])
        tried.append(np.linalg.solve(normal, basis.T @ away)[1:])
    strong = 500.0 * night.telescope.blur_px_per_um
    tried += [np.array([0.0, strong, 0.0]), np.array([0.0, -strong, 0.0])]
    out = []
    for colour in tried:
        start = night.start.copy()
        start[COLOUR] = colour
        # The zero is the focus of 550 nm; what was seen is that of the band.
        start[FIRST::3] = best - terms @ colour / slope
        out.append(start)
    return out


def descend(night: Night, start: np.ndarray, *, jitter: float, lack: float, steps: int) -> Fit:
    """Damped Gauss-Newton steps; wrecked frames and thick filters weigh less at every step."""
    values = start
    sizes = night.sizes(values)
    damping = DAMPING
    for _ in range(steps):
        variance = variance_of(night, sizes, jitter=jitter, lack=lack)
        before = cost_of(night, values, sizes, variance)
        normal, pull = normal_equations(night, values, sizes, variance)
        # Radii grow with the square of the spread: what pulls it down pulls ever less.
        down = max(-(pull + night.prior.normal(values)[1])[LOG_SPREAD], 0.0)
        normal[LOG_SPREAD, LOG_SPREAD] += 2 * down
        scale, slopes = np.sqrt(np.diag(normal)), night.slopes(values, sizes)
        for _ in range(8):
            damped = normal / np.outer(scale, scale) + damping * np.eye(scale.size)
            step = _bounded(np.linalg.solve(damped, pull / scale) / scale)
            trial, about = values + step, (slopes @ step) / sizes.radius
            start_px = sizes.radius * np.exp(np.clip(about, -0.5, 0.5))
            trial_sizes = night.sizes(trial, start_px=start_px)
            gain = before - cost_of(night, trial, trial_sizes, variance)
            # A step that gains as foretold may be followed by a bolder one.
            told = gain / float(step @ (2 * pull - normal @ step))
            damping *= 0.2 if told > 0.7 else 1.0 if told > 0.3 else 3.0 if told > 0 else 6.0
            damping = max(damping, 1e-6)
            if gain > 0:
                break
        if gain <= 0:
            break
        values, sizes = trial, trial_sizes
        if gain < ENOUGH.get(steps, 1e-3):
            break
    variance = variance_of(night, sizes, jitter=jitter, lack=lack)
    return Fit(values, sizes, cost_of(night, values, sizes, variance))


def _bounded(step: np.ndarray) -> np.ndarray:
    """A step shortened so that no size changes by more than a factor e^0.7 and S by 0.5 waves."""
    logs = np.concatenate([step[[LOG_SLOPE]], step[FIRST + 1 :: 3]])
    most = max(np.abs(logs).max() / 0.7, abs(step[SPHERICAL]) / 0.5, 1.0)
    return step / most


def cost_of(night: Night, values: np.ndarray, sizes: Sizes, variance: Variance) -> float:
    """Minus twice the log of the posterior probability, but for a constant."""
    miss = night.radius_px - sizes.radius
    belief = believe(miss, variance.sound, wild=variance.wild, doubt=variance.common**2)
    likely = log_likelihood(night, miss, belief, variance)
    return night.prior.normal(values)[2] - 2 * float(likely)


def log_likelihood(
    night: Night, miss: np.ndarray, belief: Belief, variance: Variance
) -> np.ndarray:
    """Expected log likelihood of entries (..., n), with the entropy of which of them are wrecked.

    What the seeing did to their exposures is taken off, at its likeliest.
    """
    tiny, sound, common = 1e-12, belief.sound, variance.common
    strength = 1 + night.summed(belief.weight * common**2)
    seeing = night.summed(belief.weight * common * miss) / strength
    left = miss - common * seeing[..., night.exposure]
    good = log_normal(left, variance.sound) + np.log1p(-PRIORS.wrecked) - np.log(sound + tiny)
    wreck = wreck_variance(left, variance.sound, variance.wild)
    bad = log_normal(left, wreck) + np.log(PRIORS.wrecked) - np.log(1 - sound + tiny)
    total = (sound * good + (1 - sound) * bad).sum(axis=-1)
    return np.asarray(total - 0.5 * (seeing**2 + np.log(strength)).sum(axis=-1))


def normal_equations(
    night: Night, values: np.ndarray, sizes: Sizes, variance: Variance
) -> tuple[np.ndarray, np.ndarray]:
    """Precision matrix of the quantities and the pull on them."""
    slopes, miss = night.slopes(values, sizes), night.radius_px - sizes.radius
    weight = believe(miss, variance.sound, wild=variance.wild, doubt=variance.common**2).weight
    precision, pull, _ = night.prior.normal(values)
    normal, right = weighed(night, slopes, miss, weight, variance.common)
    return normal + np.diag(precision), right - pull


def weighed(
    night: Night, slopes: np.ndarray, miss: np.ndarray, weight: np.ndarray, common: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Normal equations (..., p, p) and (..., p) of frames with weights (..., n).

    Scatter ``common`` to an exposure is taken off by Woodbury's identity.
    """
    rows = weight[..., None] * slopes
    lever = night.summed(common[..., None] * rows, axis=-2)
    strength = 1 / (1 + night.summed(weight * common**2))
    pulled = strength * night.summed(weight * common * miss)
    normal = slopes.T @ rows - np.swapaxes(lever, -1, -2) @ (strength[..., None] * lever)
    return normal, (weight * miss) @ slopes - (pulled[..., None, :] @ lever)[..., 0, :]
