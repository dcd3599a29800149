"""How the light of a frame's stars grows with radius: one curve, shared by all of them.

The stars of a frame share seeing, defocus and optics, so the bright ones tell how much light of
a faint one lies beyond its aperture. The radius and the total flux of each star are then measured
against that curve, stretched to the star.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.interpolate import PchipInterpolator

from ..conventions import FLUX_FRACTION
from .bank import GRID, Bank, growth_bank

_ROUNDS, _SHORTLIST_AFTER = 8, 3
#: A curve whose misfit exceeds the best by this much has no say any more.
_HOPELESS = 60.0
_STRAY = 2.0
#: How far a real star may depart from the bank, as a share of each annulus and of all its light.
_DEPARTURE, _LEAST_DEPARTURE = 0.02, 0.0004
#: Pixels smear twice: they gather light over a square, and stand for a square when it is summed,
#: each with the variance 1/12 along each axis, pixels^2. To first order this holds up to
#: ``_MOST_BLUR`` of the squared half-flux radius.
_PIXEL_BLUR, _MOST_BLUR = 1 / 6, 0.15


@dataclass(frozen=True, eq=False)
class GrowthCurve:
    """Share of a star's light inside a radius.

    Attributes
    ----------
    radii_px, share : (k,) arrays
        From ``(0, 0)`` out to where all light is inside; rising.
    radius_px : float
        The half-flux radius of the curve.
    radius_sigma_px : float
        How far that radius hangs on the choice of curve rather than on the data.
    """

    radii_px: np.ndarray
    share: np.ndarray
    radius_px: float
    radius_sigma_px: float = 0.0

    @cached_property
    def _smooth(self) -> PchipInterpolator:
        return PchipInterpolator(self.radii_px, self.share)

    @cached_property
    def _smooth_slope(self) -> PchipInterpolator:
        return self._smooth.derivative()

    def at(self, radius: np.ndarray) -> np.ndarray:
        """Share of the light inside each radius."""
        return self._smooth(np.minimum(radius, self.radii_px[-1]))

    def slope_at(self, radius: np.ndarray) -> np.ndarray:
        """Growth of that share per pixel of radius."""
        return self._smooth_slope(np.minimum(radius, self.radii_px[-1]))

    def swelling(self, variance: float) -> float:
        """By what share a small blur (variance along each axis, pixels^2) widens the radius.

        A blur changes light I by half its variance times the Laplacian, so the flux inside r by
        pi r dI/dr times the variance, and the radius by -variance/2 d ln I/dr.
        """
        near, far = 0.8 * self.radius_px, 1.2 * self.radius_px
        light = self.slope_at(np.array([near, far])) / (near, far)
        fall = np.log(max(light[1], 1e-12) / max(light[0], 1e-12)) / (far - near)
        return float(np.clip(-0.5 * variance * fall / self.radius_px, 0.0, 0.2))

    def mean_radius(self) -> float:
        """Flux-weighted mean radius: the integral over radius of what lies outside it."""
        return float(np.trapezoid(1 - self.share, self.radii_px))


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """Light of one star, or of the sum of many, between circles and in the sky ring.

    Attributes
    ----------
    radii : (k,) array
        Pixels.
    steps, variance : (k,) arrays
        Flux between each radius and the one before, and its variance.
    ring_px : two floats
        Inner and outer radius of the sky ring, pixels.
    ring, ring_sigma : float
        Mean surface brightness there, per pixel; sigma infinite where there is no ring.
    sky, sky_sigma : float
        What is left of the sky, per pixel, as far as it is known otherwise: infinite sigma where
        it is not, none where it is certain.
    """

    radii: np.ndarray
    steps: np.ndarray
    variance: np.ndarray
    ring_px: tuple[float, float]
    ring: float
    ring_sigma: float
    sky: float = 0.0
    sky_sigma: float = float("inf")

    @property
    def sky_scale(self) -> float:
        """Noise of the light per pixel of the outermost annulus: a certain sky is far surer."""
        outer = np.pi * float(np.diff(self.radii**2, prepend=0.0)[-1])
        return float(np.sqrt(self.variance[-1])) / outer + 1e-300


def growth_curve(light: Light, *, guess_px: float) -> GrowthCurve | None:
    """Find the growth curve behind the light.

    Each curve of the bank is fitted with flux, size and a rest of sky; those that agree with the
    data are averaged by their probability. What the data say beyond that, above their noise, is
    added. Faint light so gives a sane curve, and bright light its own.

    Returns
    -------
    GrowthCurve or None
        None where there is no light.
    """
    area = np.pi * np.diff(light.radii**2, prepend=0.0)
    fit = _fit_bank(light, guess_px)
    if fit is None:
        return None
    weight, flux, size, sky = fit.probability, fit.flux, fit.size, fit.sky
    typical = float(weight @ size)
    radii = GRID * typical
    share = weight @ _seen_share(fit.bank, radii, size)
    total, rest = float(weight @ flux), float(weight @ sky)
    expected = total * np.diff(np.interp(light.radii, radii, share), prepend=0.0)
    beyond = light.steps - expected - rest * area
    free = (_DEPARTURE * expected) ** 2 + (_LEAST_DEPARTURE * total) ** 2
    heard = free / (free + light.variance)
    beyond = np.cumsum(beyond * heard)
    # Departures fade from the outermost circle on: nothing is known out there.
    knots = np.concatenate([[0.0], light.radii])
    own = total * share + np.interp(radii, knots, np.concatenate([[0.0], beyond]))
    own = np.maximum.accumulate(np.maximum(own, 0.0))
    if not own[-1] > 0:
        return None
    own = own / own[-1]
    radius = float(_crossing(radii, own))
    # Where the data were heard the choice of curve no longer matters.
    deaf = float(np.sqrt(np.mean(1 - heard)))
    spread = deaf * float(np.sqrt(weight @ (size - typical) ** 2))
    return GrowthCurve(radii, own, radius, spread)


@dataclass(frozen=True, slots=True, eq=False)
class _BankFit:
    """Flux, size and rest of sky for every curve of a bank, and how badly each fits."""

    bank: Bank
    flux: np.ndarray
    size: np.ndarray
    sky: np.ndarray
    misfit: np.ndarray

    @property
    def probability(self) -> np.ndarray:
        """Probability of each curve."""
        odds = self.bank.weight * np.exp(-0.5 * (self.misfit - self.misfit.min()))
        return odds / odds.sum()

    def shortlist(self) -> "_BankFit":
        """Only the curves that still have a chance."""
        keep = np.flatnonzero(self.misfit < self.misfit.min() + _HOPELESS)
        return _BankFit(
            self.bank.only(keep),
            *(a[keep] for a in (self.flux, self.size, self.sky, self.misfit)),
        )


def _fit_bank(light: Light, guess_px: float) -> _BankFit | None:
    """Fit every curve of the bank; after some rounds only those that still have a chance."""
    whole = float(light.steps.sum())
    if not whole > 0:
        return None
    bank = growth_bank()
    m = len(bank.weight)
    start = _Start(whole, _rough_radius(light, whole, guess_px))
    fit = _BankFit(bank, np.full(m, whole), np.full(m, start.size), np.zeros(m), np.zeros(m))
    for round_ in range(_ROUNDS):
        fit = _improve(fit, light, start)
        if round_ == _SHORTLIST_AFTER:
            fit = fit.shortlist()
    return fit


@dataclass(frozen=True, slots=True)
class _Start:
    """Rough flux and size of the light; no fit may stray from them by more than a factor."""

    flux: float
    size: float


def _rough_radius(light: Light, whole: float, guess_px: float) -> float:
    """Radius that holds half of the light within the circles."""
    inside = np.maximum.accumulate(np.cumsum(light.steps))
    if not inside[0] < 0.5 * whole < inside[-1]:
        return guess_px
    return float(np.interp(0.5 * whole, inside, light.radii))


def _improve(fit: _BankFit, light: Light, start: _Start) -> _BankFit:
    """One Gauss-Newton step for all curves at once."""
    bank, flux, size, sky = fit.bank, fit.flux, fit.size, fit.sky
    m = len(flux)
    area = np.pi * np.diff(light.radii**2, prepend=0.0)
    data = np.append(light.steps, light.ring)
    scaled = light.radii / size[:, None]
    share = np.diff(_seen_share(bank, light.radii, size), axis=1, prepend=0.0)
    swell = np.diff(-scaled * _rows_at(bank.slope, scaled), axis=1, prepend=0.0)
    in_ring, ring_swell = _ring_terms(bank, light.ring_px, size)
    # Departures are reckoned from the data: were they reckoned from the fit, a fit could buy
    # itself a large allowance with a large flux.
    variance = (
        light.variance + (_DEPARTURE * light.steps) ** 2 + (_LEAST_DEPARTURE * start.flux) ** 2
    )
    precision = np.append(1 / variance, light.ring_sigma**-2.0)
    design = np.empty((m, len(data), 3))
    design[:, :-1, 0], design[:, -1, 0] = share, in_ring
    design[:, :-1, 1], design[:, -1, 1] = flux[:, None] * swell, flux * ring_swell
    design[:, :-1, 2], design[:, -1, 2] = area, 1.0
    rest = data - flux[:, None] * design[:, :, 0] - sky[:, None] * design[:, :, 2]
    weighed = (design * precision[:, None]).swapaxes(1, 2)
    normal, right = weighed @ design, (weighed @ rest[:, :, None])[:, :, 0]
    known = max(light.sky_sigma, 1e-6 * light.sky_scale) ** -2
    normal[:, 2, 2] += known
    right[:, 2] += known * (light.sky - sky)
    ridge = np.trace(normal, axis1=1, axis2=2)[:, None, None] * 1e-13 * np.eye(3)
    change = np.linalg.solve(normal + ridge, right[:, :, None])[:, :, 0]
    grown = size * np.exp(np.clip(change[:, 1], -0.3, 0.3))
    return _BankFit(
        bank=bank,
        flux=np.clip(flux + change[:, 0], start.flux / _STRAY, start.flux * _STRAY),
        size=np.clip(grown, start.size / _STRAY, start.size * _STRAY),
        sky=sky + change[:, 2],
        misfit=(precision * rest**2).sum(axis=1) + known * (sky - light.sky) ** 2,
    )


def _seen_share(bank: Bank, radii: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Share inside each radius (pixels) of every curve at its size, as pixels show it."""
    scaled = radii / size[:, None]
    blur = np.minimum(_PIXEL_BLUR / size**2, _MOST_BLUR)[:, None]
    return _rows_at(bank.share, scaled) + blur * _rows_at(bank.blur, scaled)


def _ring_terms(
    bank: Bank, ring_px: tuple[float, float], size: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Surface brightness in the sky ring of a star of unit flux, and its change with ln size."""
    ring, step = np.array(ring_px), 0.05
    area = np.pi * (ring[1] ** 2 - ring[0] ** 2)

    def brightness(at: np.ndarray) -> np.ndarray:
        return np.diff(_rows_at(bank.share, ring / at[:, None]), axis=1)[:, 0] / area

    here = brightness(size)
    return here, (brightness(size * (1 + step)) - here) / step


def _rows_at(table: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Each row of a table on ``GRID``, interpolated at the matching row of ``x``."""
    x = np.minimum(x, GRID[-1])
    i = np.clip(np.searchsorted(GRID, x, side="right") - 1, 0, len(GRID) - 2)
    share = (x - GRID[i]) / (GRID[i + 1] - GRID[i])
    rows = np.arange(len(table))[:, None]
    return table[rows, i] * (1 - share) + table[rows, i + 1] * share


def _crossing(radii: np.ndarray, share: np.ndarray) -> float:
    """Radius that holds half of the light, on the smooth curve."""
    curve = PchipInterpolator(radii, share)
    low, high = 0.0, float(radii[np.argmax(share > FLUX_FRACTION)])
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if curve(middle) < FLUX_FRACTION else (low, middle)
    return 0.5 * (low + high)
