"""Each star against the growth curve of its frame: how much light, and how far stretched."""

from dataclasses import dataclass

import numpy as np

from ..conventions import FLUX_FRACTION
from .growth import GrowthCurve
from .patches import Patches

_ROUNDS = 6
_STRETCH = (0.4, 2.5)


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """Best-fitting flux and stretch of each star; arrays of equal length.

    Attributes
    ----------
    flux, flux_sigma : arrays
        Total flux, ADU.
    stretch, stretch_sigma : arrays
        Size of the star over that of the curve.
    sky, sky_sigma : arrays
        What is left of the background, ADU a pixel.
    sky_pull : array
        Change of the stretch with the expected sky, per ADU a pixel.
    """

    flux: np.ndarray
    flux_sigma: np.ndarray
    stretch: np.ndarray
    stretch_sigma: np.ndarray
    sky: np.ndarray
    sky_sigma: np.ndarray
    sky_pull: np.ndarray


def fit_stretch(
    patches: Patches,
    curve: GrowthCurve,
    *,
    inverse_gain: float,
    sky_prior: tuple[float, float],
) -> Stretch:
    """Least-squares fit of flux, stretch and rest of sky to the light between circles.

    Parameters
    ----------
    patches : Patches
        Light inside circles and in the sky ring of n stars.
    curve : GrowthCurve
    inverse_gain : float
        ADU per electron; 0 where unknown.
    sky_prior : two floats
        Expected rest of the sky, ADU a pixel, and its standard deviation (0 fixes it, infinite
        leaves all to the ring).
    """
    radii = patches.radii
    steps = np.diff(patches.sums, axis=1, prepend=0.0)
    area = np.pi * np.diff(radii**2, prepend=0.0)
    n = len(steps)
    stretch, sky = np.ones(n), np.full(n, float(sky_prior[0]))
    # A first flux from the circle that holds most of the light.
    k0 = int(np.argmin(np.abs(radii - 1.6 * curve.radius_px)))
    flux = (patches.sums[:, k0] - sky * np.pi * radii[k0] ** 2) / curve.at(radii[k0])
    prior = max(sky_prior[1], 1e-9) ** -2
    precision = np.empty((n, len(radii) + 1))
    design = np.empty((n, len(radii) + 1, 3))
    data = np.column_stack([steps, patches.ring])
    ring = np.array(patches.ring_px)
    ring_area = np.pi * (ring[1] ** 2 - ring[0] ** 2)
    with np.errstate(divide="ignore"):
        precision[:, -1] = patches.ring_sigma**-2.0
    for _ in range(_ROUNDS):
        scaled = radii / stretch[:, None]
        share = np.diff(curve.at(scaled), axis=1, prepend=0.0)
        # d share / d ln stretch = - r/s dG/dr
        swell = np.diff(-scaled * curve.slope_at(scaled), axis=1, prepend=0.0)
        lit = np.maximum(flux, 0)
        shot = inverse_gain * lit[:, None] * np.maximum(share, 0)
        precision[:, :-1] = 1 / (patches.noise[:, None] ** 2 * area + shot)
        # The ring lies where the wings hardly depend on the stretch.
        wing = np.diff(curve.at(ring / stretch[:, None]), axis=1)[:, 0] / ring_area
        design[:, :-1, 0], design[:, -1, 0] = share, wing
        design[:, :-1, 1], design[:, -1, 1] = lit[:, None] * swell, 0.0
        design[:, :-1, 2], design[:, -1, 2] = area, 1.0
        weighed = (design * precision[:, :, None]).swapaxes(1, 2)
        normal = weighed @ design
        rest = data - flux[:, None] * design[:, :, 0] - sky[:, None] * design[:, :, 2]
        right = (weighed @ rest[:, :, None])[:, :, 0]
        normal[:, 2, 2] += prior
        right[:, 2] += prior * (sky_prior[0] - sky)
        # A star without light has no size: the tiny ridge keeps the equations solvable.
        ridge = 1e-13 * np.trace(normal, axis1=1, axis2=2)[:, None, None] * np.eye(3)
        covariance = np.linalg.inv(normal + ridge)
        change = np.einsum("nab,nb->na", covariance, right)
        flux = flux + change[:, 0]
        stretch = np.clip(stretch * np.exp(np.clip(change[:, 1], -0.3, 0.3)), *_STRETCH)
        sky = sky + change[:, 2]
    sigma = np.sqrt(np.maximum(np.diagonal(covariance, axis1=1, axis2=2), 0))
    return Stretch(
        flux=flux,
        flux_sigma=sigma[:, 0],
        stretch=stretch,
        stretch_sigma=stretch * sigma[:, 1],
        sky=sky,
        sky_sigma=sigma[:, 2],
        sky_pull=stretch * covariance[:, 1, 2] * prior,
    )


def own_radius(
    sums: np.ndarray, radii: np.ndarray, curve: GrowthCurve, fit: Stretch, total: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Half-flux radius on the star's own growth, the curve serving only between the radii.

    Parameters
    ----------
    sums : (n, k) array
        Sky-free flux inside each radius.
    total : (n,) array
        Total fluxes.

    Returns
    -------
    radius, slope : (n,) arrays
        Pixels; growth of flux per pixel of radius there. NaN where half is never reached.
    """
    n = len(sums)
    stretch = fit.stretch[:, None]
    knots = np.concatenate([[0.0], radii])
    rest = np.concatenate(
        [np.zeros((n, 1)), sums - total[:, None] * curve.at(radii / stretch)], axis=1
    )
    goal = FLUX_FRACTION * total
    growth = np.concatenate([np.zeros((n, 1)), sums], axis=1)
    over = growth >= goal[:, None]
    first = np.clip(over.argmax(axis=1), 1, len(knots) - 1)
    i = np.arange(n)
    low, high = knots[first - 1], knots[first]
    tilt = (rest[i, first] - rest[i, first - 1]) / (high - low)
    a, b = low.copy(), high.copy()
    for _ in range(30):
        middle = 0.5 * (a + b)
        value = total * curve.at(middle / fit.stretch) + rest[i, first - 1] + tilt * (middle - low)
        below = value < goal
        a, b = np.where(below, middle, a), np.where(below, b, middle)
    radius = 0.5 * (a + b)
    # The slope of the smooth curve is steadier than that of one star's own noise.
    slope = total * curve.slope_at(radius / fit.stretch) / fit.stretch
    lost = ~over.any(axis=1) | ~(total > 0) | ~(slope > 0)
    return np.where(lost, np.nan, radius), np.where(lost, np.nan, slope)
