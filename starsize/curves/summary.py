"""From the posterior of a night to the numbers of one sweep, before anyone judges them."""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, stdtrit

from ..estimate import NOT_KNOWN, Estimate
from .curve import FocusCurve
from .fitted import CurveFit, LensColour
from .night import COLOUR, LOG_SLOPE, SPHERICAL, Night
from .plain import fit_plain
from .posterior import Posterior, radii_at
from .statistics import JITTERS, PRIORS, Scatter, log_usual

SIGMA1, SIGMA2 = 0.682689492, 0.954499736
BEYOND = 0.001
"""Tail in which best focus may still lie: the bound handed on when a sweep is refused."""
HEAVIEST_TAIL = 2.77
"""Ratio of the 95.4 to the 68.3 % interval of Student's t with 3 degrees of freedom."""
STEEP, FEWEST_WING = 0.8, 12
"""A wing point: the radius grows by this part of the steepest; and how many it takes."""
LEAST_SPAN_NM = 100.0  # bands that span less do not tell of a lens' colour
BOTH_WAYS = 4.0
"""How far to each side, in smallest radii of defocus, the middle of the wings is looked for."""


class Summary(NamedTuple):
    """One sweep as the posterior has it, and what speaks against an answer."""

    fit: CurveFit  # as if it answered
    suspicion: np.ndarray  # of each frame that took part, the probability that it is wrecked
    below: float  # probabilities that best focus lies before the first or after the last position
    above: float
    gain: float  # see `_gain_over_flat`


def summarise(night: Night, found: Posterior, row: int, *, curve: FocusCurve) -> Summary:
    """Read one sweep off the posterior; ``curve`` is what its fit stands for."""
    mine, values = night.frames(row), found.fit.values
    # At the likeliest quantities: their mean would add up what no frame tells, such as the colour
    # of the lens from a single filter.
    position = night.places(values)[mine]
    places = curve.position_steps.copy()
    places[curve.usable] = position
    mixture = found.weight, found.best_steps[:, row], np.sqrt(found.covariance[:, row, row])
    tails = np.array([0.5, (1 - SIGMA1) / 2, (1 - SIGMA2) / 2, BEYOND])
    best, low68, low95, lowest = map(float, quantiles(*mixture, at=tails))
    _, high68, high95, highest = map(float, quantiles(*mixture, at=1 - tails))
    before, within = map(float, below(*mixture, at=np.array([position.min(), position.max()])))
    slope, sigma = shared_slope(night, found), max(high68 - low68, (high95 - low95) / HEAVIEST_TAIL)
    floor = float(radii_at(night, values, np.array([best]), np.array([row]))[0])
    middle = _wing_centre(night, values, row, best, floor / slope.value)
    plain = fit_plain(replace(curve, position_steps=places))
    fit = CurveFit(
        curve=curve, verdict="good", answered=True, reason="", used=curve.usable, frame_reasons=(),
        model="star", best_steps=best, best_sigma_steps=sigma / 2,
        dof=matching_dof(high68 - low68, high95 - low95),
        interval68_steps=(low68, high68), interval95_steps=(low95, high95),
        floor_px=Estimate(floor, float(found.weight @ found.floor_spread[:, row])),
        slope_px_per_step=slope, jitter=found.usual(found.jitter), lack=found.usual(found.lack),
        chi2_reduced=_chi2(night, found, mine), wing_centre_steps=Estimate(middle, sigma / 2),
        hyperbola_steps=plain.hyperbola_steps, bound_steps=(lowest, highest),
        shape=night.shape(values, row),
    )  # fmt: skip
    gain = _gain_over_flat(night, found, mine)
    return Summary(fit, 1 - found.sound[mine], before, 1 - within, gain)


def below(weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, at: np.ndarray) -> np.ndarray:
    """Probability below each of k places, in a mixture of c normal distributions: (k,)."""
    return ndtr((np.asarray(at, float)[:, None] - mean) / sigma) @ weight


def quantiles(
    weight: np.ndarray, mean: np.ndarray, sigma: np.ndarray, *, at: np.ndarray
) -> np.ndarray:
    """Where that distribution function reaches each of k probabilities: (k,)."""
    low = np.full(len(at), (mean - 9 * sigma).min())
    high = np.full(len(at), (mean + 9 * sigma).max())
    for _ in range(60):
        middle = (low + high) / 2
        short = below(weight, mean, sigma, at=middle) < at
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return (low + high) / 2


_DOF = np.concatenate([np.linspace(1, 10, 37), np.geomspace(10.5, 500, 40)])
_RATIO = stdtrit(_DOF, 0.5 + SIGMA2 / 2) / stdtrit(_DOF, 0.5 + SIGMA1 / 2)


def matching_dof(half68: float, half95: float) -> float:
    """Degrees of freedom of the Student distribution whose two half-widths stand in that ratio."""
    return float(np.interp(-half95 / half68, -_RATIO, _DOF))


def _wing_centre(
    night: Night, values: np.ndarray, row: int, best: float, floor_steps: float
) -> float:
    """Middle between the two positions where the curve is twice its smallest radius."""
    away = np.linspace(0, BOTH_WAYS * floor_steps, 30)
    places = best + np.concatenate([-away, away])
    radius = radii_at(night, values, places, np.full(places.size, row)).reshape(2, -1)
    wings = np.maximum.accumulate(radius, axis=1)
    before, after = (float(np.interp(2 * wing[0], wing, away)) for wing in wings)
    return best + (after - before) / 2


def _chi2(night: Night, found: Posterior, mine: np.ndarray) -> float:
    """Misfit of the sound frames over star noise and the scatter found, reduced."""
    sizes, sound = found.fit.sizes, found.sound[mine]
    scatter = night.scatter(sizes, found.usual(found.jitter), found.usual(found.lack))
    square = (night.radius_px - sizes.radius) ** 2 / (scatter.sound + scatter.common**2)
    return float(sound @ square[mine] / max(sound.sum() - 3, 1))


def _gain_over_flat(night: Night, found: Posterior, mine: np.ndarray) -> float:
    """Twice the log likelihood ratio of a sweep's curve to stars that only the seeing changes.

    Each at the scatter of the seeing that suits it best, what is usual of it taken into account.
    """
    radius, sizes, lack = night.radius_px[mine], found.fit.sizes, found.usual(found.lack)
    own, wild = night.sigma_px[mine] ** 2 + (lack * radius) ** 2, (PRIORS.wreck_size * radius) ** 2

    def best(expected: np.ndarray, by_log_seeing: np.ndarray) -> float:
        common = JITTERS[:, None] * by_log_seeing
        belief = Scatter(own, wild, common, night.exposure[mine]).believe(radius - expected)
        return float(np.max(belief.log_likelihood.sum(axis=1) + log_usual(JITTERS, lack)))

    flat = np.full(radius.size, np.median(radius))
    return 2 * (best(sizes.radius[mine], sizes.by_log_seeing[mine]) - best(flat, flat))


def shared_slope(night: Night, found: Posterior) -> Estimate:
    """Slope of the half-flux radius far from focus, pixels per step."""
    share = np.sqrt((1 + night.telescope.obstruction**2) / 2)
    log_slope = found.quantity(LOG_SLOPE)
    value = float(np.exp(log_slope.value) * share)
    return Estimate(value, value * log_slope.sigma)


def lens_colour(night: Night, found: Posterior) -> LensColour | None:
    """Read the lens off the posterior; None where the bands span too little to tell.

    A colour focuses where the disc that its defocus makes vanishes: at the position
    (c . terms) / rho beyond that of 550 nm, c the lens' colour in pixels and rho the blur in pixels
    per step (`optics.star.colour_terms`).
    """
    low = min(band.wavelength_nm - band.width_nm / 2 for band in night.bands)
    high = max(band.wavelength_nm + band.width_nm / 2 for band in night.bands)
    if high - low < LEAST_SPAN_NM:
        return None
    per_step = float(np.exp(found.weight @ found.values[:, LOG_SLOPE]))
    middle, known = found.moments(found.values[:, COLOUR], found.known[:, COLOUR, COLOUR])
    return LensColour(
        span_nm=(low, high),
        terms_steps=middle / per_step,
        covariance_steps2=known / per_step**2,
        spherical_waves=found.quantity(SPHERICAL),
    )


def correlation(found: Posterior) -> np.ndarray:
    """Correlation of best foci: (m, m)."""
    total = found.moments(found.best_steps, found.covariance)[1]
    scale = np.sqrt(np.diag(total))
    return total / np.outer(scale, scale)


def placement(night: Night, found: Posterior) -> Estimate:
    """How exactly single positions are reached, steps: scatter of steep wing points.

    Mean over the wings of (miss / slope)^2 less what stars and seeing explain, with the freedom
    that the fit took up; its own uncertainty that of a mean of squares. What the model lacks counts
    too: an upper bound. Not known with fewer than `FEWEST_WING` points, or below its own noise.
    """
    sizes, jitter = found.fit.sizes, found.usual(found.jitter)
    rise = np.abs(sizes.by_blur) * np.exp(found.fit.values[LOG_SLOPE])
    steep = (rise > STEEP * rise[~night.inner].max()) & (found.sound > 0.5) & ~night.inner
    count, taken = int(steep.sum()), 3 * len(night.bands) + 6
    free = 1 - taken / np.sum(~night.inner)
    if count < FEWEST_WING or free <= 0:
        return NOT_KNOWN
    noise = (night.sigma_px**2 + (jitter * sizes.by_log_seeing) ** 2)[steep] / rise[steep] ** 2
    seen = ((night.radius_px - sizes.radius)[steep] / rise[steep]) ** 2 / free
    square = float(np.mean(seen - noise))
    doubt = float(np.mean(noise) + max(square, 0.0)) * np.sqrt(2 / (count * free))
    if square < doubt:
        return NOT_KNOWN
    return Estimate(float(np.sqrt(square)), doubt / (2 * float(np.sqrt(square))))
