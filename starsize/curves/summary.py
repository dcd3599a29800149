"""From the posterior of a night to the numbers of one sweep, before anyone judges them."""

from dataclasses import dataclass

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from ..optics.pupil import PupilTable
from .least_squares import fit_hyperbola
from .mixture import SIGMA1, SIGMA2, central_interval, matching_dof, outside, quantile
from .night import (
    AIR,
    COLOUR,
    FIRST,
    LOG_DIFFRACTION,
    LOG_SLOPE,
    SPECTRUM,
    SPHERICAL,
    SPREAD,
    Night,
)
from .posterior import Posterior, gain_over_flat
from .prediction import star_radius
from .search import variance_of
from .statistics import PRIORS

BEYOND = 0.001
"""Tail in which best focus may still lie: the bound handed on when a sweep is refused."""
HEAVIEST_TAIL = 2.77
"""Ratio of the 95.4 to the 68.3 % interval of Student's t with 3 degrees of freedom."""
STEEP, FEWEST_WING = 0.8, 12
"""A wing point: the radius grows by this part of the steepest; and how many it takes."""
BOTH_WAYS = 4.0
"""How far to each side, in smallest radii of defocus, the middle of the wings is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Summary:
    """Numbers of one sweep; positions in steps, radii in pixels.

    ``suspicion`` is, per frame that took part, the probability that it is wrecked; ``below`` and
    ``above`` those that best focus lies before the first or after the last position; ``reach`` the
    defocus at the two ends in units of the floor.
    """

    best_steps: float
    best_sigma_steps: float
    dof: float
    interval68_steps: tuple[float, float]
    interval95_steps: tuple[float, float]
    bound_steps: tuple[float, float]
    below: float
    above: float
    floor_px: Estimate
    slope_px_per_step: Estimate
    jitter: float
    lack: float
    chi2_reduced: float
    suspicion: np.ndarray
    hyperbola_steps: Estimate
    wing_centre_steps: float
    shape: tuple[float, ...]
    reach: tuple[float, float]
    gain: float
    """See `posterior.gain_over_flat`."""


def summarise(night: Night, found: Posterior, row: int) -> Summary:
    """Read one sweep off the posterior."""
    weight, centre = found.weight, found.best_steps[:, row]
    sigma = np.sqrt(found.covariance[:, row, row])
    mine = night.sweep == row
    position, radius = night.position_steps[mine], night.radius_px[mine]
    low68, high68 = map(float, central_interval(weight, centre, sigma, coverage=SIGMA1))
    low95, high95 = map(float, central_interval(weight, centre, sigma, coverage=SIGMA2))
    best = float(quantile(weight, centre, sigma, probability=0.5))
    bounds = [float(quantile(weight, centre, sigma, probability=p)) for p in (BEYOND, 1 - BEYOND)]
    below, above = outside(weight, centre, sigma, low=position.min(), high=position.max())
    shape = _shape(night, weight @ found.values, row)
    table = night.stars.table
    floor = float(star_radius(shape, np.array([best]), table=table)[0])
    slope = shared_slope(night, found)
    suspicion = 1 - found.sound[mine]
    return Summary(
        best_steps=best,
        best_sigma_steps=max(high68 - low68, (high95 - low95) / HEAVIEST_TAIL) / 2,
        dof=float(matching_dof(np.array(high68 - low68), np.array(high95 - low95))),
        interval68_steps=(low68, high68),
        interval95_steps=(low95, high95),
        bound_steps=(bounds[0], bounds[1]),
        below=float(below),
        above=float(above),
        floor_px=Estimate(floor, float(weight @ found.floor_spread[:, row])),
        slope_px_per_step=slope,
        jitter=found.usual(found.jitter),
        lack=_lack(night, found, mine),
        chi2_reduced=_chi2(night, found, row),
        suspicion=suspicion,
        hyperbola_steps=_hyperbola(position, radius, night.sigma_px[mine], suspicion),
        wing_centre_steps=_wing_centre(shape, table, best, floor / slope.value),
        shape=shape,
        reach=(
            (best - float(position.min())) * slope.value / floor,
            (float(position.max()) - best) * slope.value / floor,
        ),
        gain=gain_over_flat(night, found, row),
    )


def _lack(night: Night, found: Posterior, mine: np.ndarray) -> float:
    """Share of its radii that the model lacks in a sweep, that of the lens' colour included."""
    own = (
        variance_of(
            night, found.fit.values, found.fit.sizes, jitter=0.0, lack=found.usual(found.lack)
        ).sound
        - night.sigma_px**2
    )
    return float(np.sqrt(np.mean((own / found.fit.sizes.radius**2)[mine])))


def shared_slope(night: Night, found: Posterior) -> Estimate:
    """Slope of the half-flux radius far from focus, pixels per step."""
    share = np.sqrt((1 + night.telescope.obstruction**2) / 2)
    middle = float(found.weight @ found.values[:, LOG_SLOPE])
    between = found.weight @ (found.values[:, LOG_SLOPE] - middle) ** 2
    spread = float(np.sqrt(found.weight @ found.known[:, LOG_SLOPE, LOG_SLOPE] + between))
    value = float(np.exp(middle) * share)
    return Estimate(value, value * spread)


def joint_covariance(found: Posterior, sigma: np.ndarray) -> np.ndarray:
    """Covariance of best foci that have the standard uncertainties given."""
    middle = found.weight @ found.best_steps
    away = found.best_steps - middle
    total = np.einsum("g,gij->ij", found.weight, found.covariance)
    total += np.einsum("g,gi,gj->ij", found.weight, away, away)
    scale = np.sqrt(np.diag(total))
    return total / np.outer(scale, scale) * np.outer(sigma, sigma)


def _shape(night: Night, values: np.ndarray, row: int) -> tuple[float, ...]:
    """What `prediction.star_radius` draws the curve from."""
    zero, log_seeing, tint = values[FIRST + 3 * row : FIRST + 3 * row + 3]
    band = night.bands[row]
    numbers = [
        night.telescope.obstruction,
        band.wavelength_nm,
        band.width_nm,
        np.exp(values[LOG_DIFFRACTION]),
        np.exp(values[LOG_SLOPE]),
        zero,
        np.exp(log_seeing),
        tint,
        values[SPHERICAL],
        values[SPREAD],
        values[AIR],
        *values[SPECTRUM],
        *values[COLOUR],
    ]
    return tuple(float(n) for n in numbers)


def _chi2(night: Night, found: Posterior, row: int) -> float:
    """Misfit of the sound frames over star noise and the scatter found, reduced."""
    mine = night.sweep == row
    sizes = found.fit.sizes
    jitter, lack = found.usual(found.jitter), found.usual(found.lack)
    variance = night.sigma_px**2 + (jitter * sizes.by_log_seeing) ** 2 + (lack * sizes.radius) ** 2
    pull = (found.sound * (night.radius_px - sizes.radius) ** 2 / variance)[mine]
    return float(pull.sum() / max(found.sound[mine].sum() - 3, 1))


def _hyperbola(
    position: np.ndarray, radius: np.ndarray, sigma: np.ndarray, suspicion: np.ndarray
) -> Estimate:
    """Vertex of the plain hyperbola through the sound frames."""
    keep = suspicion < 0.5
    if np.unique(position[keep]).size < 4 or np.ptp(radius[keep]) < 0.05 * radius[keep].min():
        return NOT_KNOWN
    x, y = position[keep], radius[keep]
    noise = np.hypot(np.maximum(sigma[keep], 0.003 * y), PRIORS.jitter * y.min() ** 2 / y)
    try:
        fit = fit_hyperbola(x, y, radius_sigma_px=noise)
    except (ValueError, np.linalg.LinAlgError):
        return NOT_KNOWN
    scatter = np.sqrt(max(fit.rss / max(fit.dof, 1), 1.0))
    vertex, spread = float(fit.value[0]), float(fit.sigma[0] * scatter)
    return Estimate(vertex, spread) if np.isfinite([vertex, spread]).all() else NOT_KNOWN


def _wing_centre(
    shape: tuple[float, ...], table: PupilTable, best: float, floor_steps: float
) -> float:
    """Middle between the two positions where the curve is twice its smallest radius."""
    away = np.linspace(0, BOTH_WAYS * floor_steps, 30)
    place = []
    for side in (-1.0, 1.0):
        radius = np.maximum.accumulate(star_radius(shape, best + side * away, table=table))
        place.append(side * float(np.interp(2 * radius[0], radius, away)))
    return best + sum(place) / 2


def placement(night: Night, found: Posterior) -> Estimate:
    """How exactly single positions are reached, steps: scatter of steep wing points.

    Mean over the wings of (miss / slope)^2 less what stars and seeing explain, with the freedom
    that the fit took up; its own uncertainty that of a mean of squares. What the model lacks counts
    too: an upper bound. Not known with fewer than `FEWEST_WING` points, or below its own noise.
    """
    sizes = found.fit.sizes
    rise = np.abs(sizes.by_blur) * np.exp(found.fit.values[LOG_SLOPE])
    steep = (rise > STEEP * rise.max()) & (found.sound > 0.5)
    count, taken = int(steep.sum()), 3 * len(night.curves) + 6
    free = 1 - taken / night.sweep.size
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
