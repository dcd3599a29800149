"""From the posterior of a night to the numbers of one sweep, before anyone judges them."""

from dataclasses import dataclass, replace

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from ..optics.pupil import PupilTable
from .curve import FocusCurve
from .fitted import CurveFit, LensColour
from .mixture import SIGMA1, SIGMA2, below, matching_dof, quantiles
from .night import (
    AIR,
    COLOUR,
    FIRST,
    LOG_DIFFRACTION,
    LOG_SLOPE,
    LOG_SPREAD,
    SPECTRUM,
    SPHERICAL,
    ZERO,
    Night,
)
from .plain import fit_plain
from .posterior import Posterior, gain_over_flat
from .prediction import star_radius
from .search import variance_of

BEYOND = 0.001
"""Tail in which best focus may still lie: the bound handed on when a sweep is refused."""
HEAVIEST_TAIL = 2.77
"""Ratio of the 95.4 to the 68.3 % interval of Student's t with 3 degrees of freedom."""
STEEP, FEWEST_WING = 0.8, 12
"""A wing point: the radius grows by this part of the steepest; and how many it takes."""
LEAST_SPAN_NM = 100.0
"""Bands that span less do not tell of a lens' colour."""
BOTH_WAYS = 4.0
"""How far to each side, in smallest radii of defocus, the middle of the wings is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """One sweep as the posterior has it, and what speaks against an answer."""

    fit: CurveFit
    """As if it answered."""
    suspicion: np.ndarray
    """Of each frame that took part, the probability that it is wrecked."""
    below: float
    above: float
    """Probabilities that best focus lies before the first or after the last position."""
    gain: float
    """See `posterior.gain_over_flat`."""


def summarise(night: Night, found: Posterior, row: int, *, curve: FocusCurve) -> Summary:
    """Read one sweep off the posterior; ``curve`` is what its fit stands for."""
    mixture = found.weight, found.best_steps[:, row], np.sqrt(found.covariance[:, row, row])
    mine = night.frames(row)
    position, suspicion = night.places(found.fit.values)[mine], 1 - found.sound[mine]
    places = curve.position_steps.copy()
    places[curve.usable] = position
    tails = np.array([0.5, (1 - SIGMA1) / 2, (1 - SIGMA2) / 2, BEYOND])
    best, low68, low95, lowest = map(float, quantiles(*mixture, at=tails))
    _, high68, high95, highest = map(float, quantiles(*mixture, at=1 - tails))
    first, last = float(position.min()), float(position.max())
    before, within = below(*mixture, at=np.array([first, last]))
    # At the likeliest quantities: their mean would add up what no frame tells, such as the colour
    # of the lens from a single filter.
    shape = _shape(night, found.fit.values, row)
    floor = float(star_radius(shape, np.array([best]), table=night.stars.table)[0])
    slope = shared_slope(night, found)
    away = floor / slope.value
    middle = _wing_centre(shape, night.stars.table, best, away)
    sigma = max(high68 - low68, (high95 - low95) / HEAVIEST_TAIL) / 2
    fit = CurveFit(
        curve=curve,
        verdict="good",
        answered=True,
        reason="",
        used=np.ones(curve.position_steps.size, bool),
        frame_reasons=(),
        model="star",
        best_steps=best,
        best_sigma_steps=sigma,
        dof=matching_dof(high68 - low68, high95 - low95),
        interval68_steps=(low68, high68),
        interval95_steps=(low95, high95),
        floor_px=Estimate(floor, float(found.weight @ found.floor_spread[:, row])),
        slope_px_per_step=slope,
        jitter=found.usual(found.jitter),
        lack=found.usual(found.lack),
        chi2_reduced=_chi2(night, found, row),
        wing_centre_steps=Estimate(middle, sigma),
        hyperbola_steps=fit_plain(replace(curve, position_steps=places)).hyperbola_steps,
        bound_steps=(lowest, highest),
        shape=shape,
    )
    return Summary(
        fit=fit,
        suspicion=suspicion,
        below=float(before),
        above=float(1 - within),
        gain=gain_over_flat(night, found, row),
    )


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


def _shape(night: Night, values: np.ndarray, row: int) -> tuple[float, ...]:
    """What `prediction.star_radius` draws the curve from."""
    away, log_seeing, tint = values[FIRST + 3 * row : FIRST + 3 * row + 3]
    band, zero = night.bands[row], values[ZERO] + away
    numbers = (
        *(night.telescope.obstruction, band.wavelength_nm, band.width_nm),
        *np.exp(values[[LOG_DIFFRACTION, LOG_SLOPE]]),
        *(zero, np.exp(log_seeing), tint),
        *(values[SPHERICAL], np.exp(values[LOG_SPREAD]), values[AIR]),
        *(*values[SPECTRUM], *values[COLOUR]),
    )
    return tuple(map(float, numbers))


def _chi2(night: Night, found: Posterior, row: int) -> float:
    """Misfit of the sound frames over star noise and the scatter found, reduced."""
    mine = night.frames(row)
    sizes = found.fit.sizes
    scatter = {"jitter": found.usual(found.jitter), "lack": found.usual(found.lack)}
    variance = variance_of(night, sizes, **scatter)
    square = (night.radius_px - sizes.radius) ** 2 / (variance.sound + variance.common**2)
    pull = (found.sound * square)[mine]
    return float(pull.sum() / max(found.sound[mine].sum() - 3, 1))


def _wing_centre(
    shape: tuple[float, ...], table: PupilTable, best: float, floor_steps: float
) -> float:
    """Middle between the two positions where the curve is twice its smallest radius."""
    away = np.linspace(0, BOTH_WAYS * floor_steps, 30)
    radius = star_radius(shape, best + np.stack([-away, away]), table=table)
    wings = np.maximum.accumulate(radius, axis=1)
    before, after = (float(np.interp(2 * wing[0], wing, away)) for wing in wings)
    return best + (after - before) / 2


def placement(night: Night, found: Posterior) -> Estimate:
    """How exactly single positions are reached, steps: scatter of steep wing points.

    Mean over the wings of (miss / slope)^2 less what stars and seeing explain, with the freedom
    that the fit took up; its own uncertainty that of a mean of squares. What the model lacks counts
    too: an upper bound. Not known with fewer than `FEWEST_WING` points, or below its own noise.
    """
    sizes = found.fit.sizes
    rise = np.abs(sizes.by_blur) * np.exp(found.fit.values[LOG_SLOPE])
    steep = (rise > STEEP * rise[~night.inner].max()) & (found.sound > 0.5) & ~night.inner
    count, taken = int(steep.sum()), 3 * len(night.bands) + 6
    free = 1 - taken / np.sum(~night.inner)
    if count < FEWEST_WING or free <= 0:
        return NOT_KNOWN
    jitter = found.usual(found.jitter)
    noise = (night.sigma_px**2 + (jitter * sizes.by_log_seeing) ** 2)[steep] / rise[steep] ** 2
    seen = ((night.radius_px - sizes.radius)[steep] / rise[steep]) ** 2 / free
    square = float(np.mean(seen - noise))
    doubt = float(np.mean(noise) + max(square, 0.0)) * np.sqrt(2 / (count * free))
    if square < doubt:
        return NOT_KNOWN
    return Estimate(float(np.sqrt(square)), doubt / (2 * float(np.sqrt(square))))
