"""How the light of a frame's stars grows with radius: one curve, shared by all of them.

The stars of a frame share seeing, defocus and optics, so the bright ones tell how much light of
a faint one lies beyond its aperture. The radius and the total flux of each star are then measured
against that curve, stretched to the star.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.interpolate import PchipInterpolator

from ..conventions import FLUX_FRACTION
from .bank import GRID
from .bank_fit import BankFit, Light, allowance, fit_bank, seen_share

#: So many of the outermost annuli tell of the light beyond them.
_END = 2
#: How well the light beyond all annuli is guessed where the stars are unlike the bank.
_TAIL_DOUBT = 0.5


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


def growth_curve(light: Light, *, guess_px: float, rough: bool = False) -> GrowthCurve | None:
    """Find the growth curve behind the light.

    Each curve of the bank is fitted with flux, size and a rest of sky; those that agree with the
    data are averaged by their probability. What the data say beyond that, above their noise, is
    added. Faint light so gives a sane curve, and bright light its own.

    Parameters
    ----------
    light : Light
    guess_px : float
        About how large the stars are.
    rough : bool
        True is content with a few curves: the size comes to some per cent.

    Returns
    -------
    GrowthCurve or None
        None where there is no light.
    """
    fit = fit_bank(light, guess_px, rough=rough)
    if fit is None:
        return None
    weight, size = fit.probability, fit.size
    typical = float(weight @ size)
    radii = GRID * typical
    share, heard = _own_growth(light, fit, radii, weight @ seen_share(fit.bank, radii, size))
    if share is None:
        return None
    # Where the data were heard the choice of curve no longer matters.
    deaf = float(np.sqrt(np.mean(1 - heard)))
    spread = deaf * float(np.sqrt(weight @ (size - typical) ** 2))
    curve = GrowthCurve(radii, share, float(_crossing(radii, share)), spread)
    return replace(curve, radius_sigma_px=float(np.hypot(spread, _total_doubt(light, fit, curve))))


def _total_doubt(light: Light, fit: BankFit, curve: GrowthCurve) -> float:
    """How far the radius hangs on the total of stars that are unlike all of the bank, pixels.

    Their total is what was summed, with the errors of that, and a guess at what lies outside.
    """
    unlike = 1 - 1 / fit.loose
    total, edge = float(fit.probability @ fit.flux), float(light.radii[-1])
    if unlike == 0 or not total > 0:
        return 0.0
    far = light.radii > 2 * curve.radius_px
    sky = light.sky_sigma * np.pi * edge**2 if np.isfinite(light.sky_sigma) else 0.0
    outside = _TAIL_DOUBT * (1 - float(curve.at(np.array(edge))))
    doubt = float(np.hypot(np.hypot(np.sqrt(light.variance[far].sum()), sky) / total, outside))
    slope = float(curve.slope_at(np.array(curve.radius_px)))
    return unlike * FLUX_FRACTION * doubt / slope if slope > 0 else 0.0


def _own_growth(
    light: Light, fit: BankFit, radii: np.ndarray, usual: np.ndarray
) -> tuple[np.ndarray | None, np.ndarray]:
    """The ``usual`` growth of the bank made the stars' own, and how far each annulus was heard."""
    total, rest = float(fit.probability @ fit.flux), float(fit.probability @ fit.sky)
    area = np.pi * np.diff(light.radii**2, prepend=0.0)
    expected = total * np.diff(np.interp(light.radii, radii, usual), prepend=0.0)
    beyond = light.steps - expected - rest * area
    free = fit.loose**2 * allowance(expected, total)
    heard = free / (free + light.variance)
    knots = np.concatenate([[0.0], light.radii])
    own = total * usual + np.interp(radii, knots, np.append(0.0, np.cumsum(beyond * heard)))
    edge = float(light.radii[-1])
    last = float(np.interp(edge, radii, own))
    outside = total * float(1 - np.interp(edge, radii, usual))
    tail = _tail(expected[-_END:], beyond[-_END:], light.variance[-_END:])
    total = last + tail * outside
    if not total > 0:
        return None, heard
    own = np.where(radii > edge, last + tail * (own - last), own)
    return np.clip(np.maximum.accumulate(np.maximum(own, 0.0)) / total, 0.0, 1.0), heard


def _tail(expected: np.ndarray, beyond: np.ndarray, variance: np.ndarray) -> float:
    """Light outside all annuli over what is usual, from the last of them.

    Where these are darker than usual, so is what lies still farther out. Where they are brighter
    nothing follows: a halo has its own edge.
    """
    usual = float(expected.sum())
    if not usual > 0:
        return 1.0
    darker = float(beyond.sum()) * usual / (usual**2 + float(variance.sum()))
    return 1 + float(np.clip(darker, -1.0, 0.0))


def _crossing(radii: np.ndarray, share: np.ndarray) -> float:
    """Radius that holds half of the light, on the smooth curve."""
    curve = PchipInterpolator(radii, share)
    low, high = 0.0, float(radii[np.argmax(share > FLUX_FRACTION)])
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if curve(middle) < FLUX_FRACTION else (low, middle)
    return 0.5 * (low + high)
