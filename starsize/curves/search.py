"""Find the likeliest telescope and sky of a night: from several starts, by damped Newton steps."""

from typing import NamedTuple

import numpy as np

from ..optics.sizes import Sizes
from ..optics.star import colour_terms
from .night import COLOUR, LOG_SEEINGS, LOG_SLOPE, LOG_SPREAD, SPHERICAL, ZEROS, Night
from .statistics import Scatter

DAMPING = 1e-3
SCREENING, WIDE, POLISHING = 6, 20, 30
ENOUGH = {SCREENING: 0.3, WIDE: 0.05, POLISHING: 1e-2}
"""A descent is at its end where a step gains less."""
STARTS_KEPT = 3
SAME, HOPELESS = 0.3, 20.0
"""Ends of descents whose costs differ by less are one, and by more not worth following."""
COARSE_JITTER, COARSE_LACK = 0.1, 0.03


class Fit(NamedTuple):
    """Quantities found, the stars they make, and minus twice the log of their probability."""

    values: np.ndarray
    sizes: Sizes
    cost: float


def find(night: Night, *, jitter: float, lack: float) -> Fit:
    """Likeliest quantities of the night, from every start that could lead elsewhere."""
    # With tight variances a whole sweep can pass for wrecked; wide ones first show the way.
    wide = {"jitter": COARSE_JITTER, "lack": COARSE_LACK}
    fits = [descend(night, start, **wide, steps=SCREENING) for start in starts(night)]
    best = _apart(fits)[:STARTS_KEPT]
    fits = [descend(night, fit.values, **wide, steps=WIDE) for fit in best]
    tight = {"jitter": jitter, "lack": lack}
    ends = [descend(night, fit.values, **tight, steps=POLISHING) for fit in _apart(fits)]
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
    slope, best = np.exp(night.start[LOG_SLOPE]), night.start[ZEROS]
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
        start[COLOUR] = colour
        # The zero is the focus of 550 nm; what was seen is that of the band.
        start[ZEROS] = best - terms @ colour / slope
        out.append(start)
    return out


def descend(night: Night, start: np.ndarray, *, jitter: float, lack: float, steps: int) -> Fit:
    """Damped Gauss-Newton steps; wrecked frames and thick filters weigh less at every step."""
    fit, damping = Fit(start, night.sizes(start), np.inf), DAMPING
    for _ in range(steps):
        scatter = night.scatter(fit.sizes, jitter, lack)
        fit = fit._replace(cost=cost_of(night, fit.values, fit.sizes, scatter))
        slopes, normal, pull, likely = normal_equations(night, fit.values, fit.sizes, scatter)
        # Radii grow with the square of the spread: what pulls it down pulls ever less.
        normal[LOG_SPREAD, LOG_SPREAD] += 2 * max(-likely[LOG_SPREAD], 0.0)
        scale = np.sqrt(np.diag(normal))
        for _ in range(8):
            damped = normal / np.outer(scale, scale) + damping * np.eye(scale.size)
            step = _bounded(np.linalg.solve(damped, pull / scale) / scale)
            about = np.clip((slopes @ step) / fit.sizes.radius, -0.5, 0.5)
            values = fit.values + step
            sizes = night.sizes(values, start_px=fit.sizes.radius * np.exp(about))
            gain = fit.cost - cost_of(night, values, sizes, scatter)
            # A step that gains as foretold may be followed by a bolder one.
            foretold = float(step @ (2 * pull - normal @ step))
            told = gain / foretold if foretold > 0 else 0.0
            damping *= 0.2 if told > 0.7 else 1.0 if told > 0.3 else 3.0 if told > 0 else 6.0
            damping = max(damping, 1e-6)
            if gain > 0:
                break
        if gain <= 0:
            break
        fit = Fit(values, sizes, np.inf)
        if gain < ENOUGH.get(steps, 1e-3):
            break
    scatter = night.scatter(fit.sizes, jitter, lack)
    return fit._replace(cost=cost_of(night, fit.values, fit.sizes, scatter))


def _bounded(step: np.ndarray) -> np.ndarray:
    """A step shortened so that no size changes by more than a factor e^0.7 and S by 0.5 waves."""
    logs = np.append(step[LOG_SEEINGS], step[LOG_SLOPE])
    most = max(np.abs(logs).max() / 0.7, abs(step[SPHERICAL]) / 0.5, 1.0)
    return step / most


def cost_of(night: Night, values: np.ndarray, sizes: Sizes, scatter: Scatter) -> float:
    """Minus twice the log of the posterior probability, but for a constant."""
    miss = night.radius_px - sizes.radius
    likely = scatter.log_likelihood(miss, scatter.believe(miss))
    return night.prior.normal(values)[2] - 2 * float(likely)


def normal_equations(
    night: Night, values: np.ndarray, sizes: Sizes, scatter: Scatter
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Slopes of the radii, precision of the quantities, the pull on them, that of the frames."""
    slopes, miss = night.slopes(values, sizes), night.radius_px - sizes.radius
    precision, down, _ = night.prior.normal(values)
    normal, pull = scatter.normal_equations(slopes, miss, scatter.believe(miss).weight)
    return slopes, normal + np.diag(precision), pull - down, pull
