"""From light inside circles to radii: the frame's growth curve, then each star against it."""

from dataclasses import dataclass, replace

import numpy as np

from .flags import StarFlag
from .growth import GrowthCurve, growth_curve
from .patches import Patches
from .star_lists import weighted_median
from .stretch import Stretch, fit_stretch, own_radius
from .teachers import CROWD, foreign_light, light_of_teachers
from .wings import Wings

#: No optics keep the shape of a star over the field to better than this, so a star's own growth
#: always gets a say against the frame's curve.
_LEAST_SHAPE_SCATTER = 0.003
#: Relative scatter of the radius with the place of a star in its pixel: this below three pixels,
#: falling as the square of the radius above, and steeply more for stars hardly wider than a pixel
#: (0.1 % at 0.75 px; scripts/star_accuracy.py).
_PIXEL_PHASE, _PHASE_ENDS_PX, _SHARP_PHASE = 0.0008, 3.0, 0.00005
#: Mean of w (1 - w) over the pixels a circle cuts, w being the part inside, over the radius in
#: pixels (by summing pixel_overlap over places: 1.01 to 1.05).
_CUT_PIXELS = 1.03
#: Variance of a sharp star is less for the same reason: by this over the radius squared, at most
#: the second.
_SHARP_GAIN, _MOST_GAIN = 0.33, 0.3
#: How well the light of a star's wings in its sky ring is known, as a share of it.
_WING_DOUBT = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Radii, fluxes and what was left of the sky; arrays with one entry a star."""

    radius: np.ndarray
    sigma: np.ndarray
    own_radius: np.ndarray
    own_sigma: np.ndarray
    common_sigma: np.ndarray
    mean_radius: np.ndarray
    flux: np.ndarray
    flux_sigma: np.ndarray
    sky: np.ndarray
    flags: np.ndarray
    curve: GrowthCurve

    @property
    def typical_px(self) -> float:
        """Half-flux radius of the frame's growth curve."""
        return self.curve.radius_px


def rough_radius(patches: Patches, *, inverse_gain: float, sky_is_known: bool) -> float | None:
    """Half-flux radius of the frame's growth curve to some per cent; None without light."""
    light = light_of_teachers(patches, inverse_gain, sky_is_known)
    curve = None if light is None else growth_curve(light, guess_px=patches.guess_px, rough=True)
    return None if curve is None else curve.radius_px


def solve_frame(
    patches: Patches,
    *,
    inverse_gain: float,
    total_flux: np.ndarray | None,
    sky_is_known: bool,
    wings: Wings | None = None,
) -> Solved | None:
    """Measure every star of a frame against the growth curve that the bright ones teach.

    Two estimates of a radius are weighed. The stretch of the frame's curve has the least noise
    but trusts that all stars look alike; the crossing of half on the star's own growth trusts
    nothing and is noisier. The scatter of their difference beyond noise, among the bright stars,
    says how far the curve can be trusted.

    ``wings`` is what was seen of the light far out.

    Returns
    -------
    Solved or None
        None where there is no light to learn from.
    """
    patches = replace(patches, flags=patches.flags | foreign_light(patches, inverse_gain))
    sky_prior = (0.0, 0.0) if sky_is_known else (0.0, np.inf)
    light = light_of_teachers(patches, inverse_gain, sky_is_known, wings)
    if light is None:
        return None
    curve = growth_curve(light, guess_px=patches.guess_px)
    if curve is None:
        return None
    fit = fit_stretch(patches, curve, inverse_gain=inverse_gain, sky_prior=sky_prior)
    unsure = 0.0
    if not sky_is_known:
        sky_prior, unsure = _common_sky(fit, patches, curve)
        fit = fit_stretch(patches, curve, inverse_gain=inverse_gain, sky_prior=sky_prior)
    return _weigh(patches, curve, fit, unsure, inverse_gain, total_flux)


def _common_sky(
    fit: Stretch, patches: Patches, curve: GrowthCurve
) -> tuple[tuple[float, float], float]:
    """What all stars say of the rest of the sky: (its middle, its scatter), how sure the middle is.

    Scatter within the noise means that the sky is smooth, and each star gains from all others. A
    bright star says little of the sky: it hangs on how well its wings are known.
    """
    flags = patches.flags
    ring = np.array(patches.ring_px)
    wing = float(np.diff(curve.at(ring))[0]) / (np.pi * (ring[1] ** 2 - ring[0] ** 2))
    known = np.isfinite(fit.sky) & np.isfinite(fit.sky_sigma) & (fit.sky_sigma > 0) & (flags == 0)
    if known.sum() < 8:
        return (0.0, np.inf), 0.0
    doubt = _WING_DOUBT * wing * np.maximum(fit.flux[known], 0.0)
    sky, own = fit.sky[known], fit.sky_sigma[known] ** 2 + doubt**2
    weight = 1 / own
    middle = weighted_median(sky, weight)
    scatter = (1.4826 * weighted_median(np.abs(sky - middle), weight)) ** 2
    real = max(scatter - (1 + np.sqrt(2 / known.sum())) / np.mean(weight), 0.0)
    unsure = float(np.sqrt(max(scatter, 1 / np.mean(weight)) / known.sum()))
    return (middle, float(np.hypot(np.sqrt(real), unsure))), unsure


def _weigh(
    patches: Patches,
    curve: GrowthCurve,
    fit: Stretch,
    sky_unsure: float,
    inverse_gain: float,
    total_flux: np.ndarray | None,
) -> Solved:
    """Weigh the two estimates of each radius and state their uncertainty."""
    radii, area = patches.radii, np.pi * patches.radii**2
    sky, sky_sigma = fit.sky, fit.sky_sigma
    sums = patches.sums - sky[:, None] * area
    k = int(np.argmin(np.abs(radii - 2.5 * curve.radius_px)))
    share = curve.at(radii[k] / fit.stretch)
    total = sums[:, k] / share if total_flux is None else total_flux
    own, slope = own_radius(sums, radii, curve, fit, total)
    stretched = curve.radius_px * fit.stretch
    stretched_sigma = curve.radius_px * fit.stretch_sigma * _sharpness(curve.radius_px)
    f = 0.0 if total_flux is not None else 0.5 / share
    lit = np.maximum(total, 0)
    own_area = np.pi * np.nan_to_num(own, nan=curve.radius_px) ** 2
    pixel, photon = patches.noise**2, inverse_gain * lit
    outer = 0.0 if total_flux is not None else 1.0
    variance = (
        (1 - f) ** 2 * (pixel * own_area + 0.5 * photon)
        + f**2 * outer * (pixel * np.maximum(area[k] - own_area, 0) + (share - 0.5) * photon)
        + (sky_sigma * (own_area - f * outer * area[k])) ** 2
    )
    # A pixel that the circle cuts counts in part, and its noise less than in part: by w (1 - w).
    rim = np.sqrt(own_area / np.pi) * _CUT_PIXELS
    variance = np.maximum(
        variance - pixel * rim - inverse_gain * slope * _CUT_PIXELS / (2 * np.pi), 0.25 * variance
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        own_sigma = np.sqrt(variance) / slope
        # The total hangs on the stretch, which errs together with the star's own growth.
        reach = radii[k] / fit.stretch
        pull = outer * 0.5 * total * reach * curve.slope_at(reach) / (share * slope * own)
        own_sigma = np.hypot(own_sigma, np.sqrt(pull * (pull + 2)) * stretched_sigma)
    flux, flux_sigma = fit.flux, fit.flux_sigma
    if total_flux is not None:
        radius, sigma = own, own_sigma
        flux, flux_sigma = total_flux, np.zeros_like(total)
    else:
        radius, sigma = _blend(
            own,
            own_sigma,
            stretched,
            stretched_sigma,
            patches.flags,
            _phase_scatter(curve.radius_px),
        )
    # Light falls on whole pixels: the place of a sharp star within its pixel shows in its radius.
    phase = _phase_scatter(curve.radius_px) * radius
    sigma = np.sqrt(sigma**2 + curve.radius_sigma_px**2 + phase**2)
    lost = ~(np.isfinite(radius) & np.isfinite(sigma))
    pegged = (fit.stretch <= 0.41) | (fit.stretch >= 2.45)
    flags = lost * int(StarFlag.UNMEASURED) | pegged * int(StarFlag.SHAPE)
    shared, shared_sigma = radius, sigma
    if total_flux is None:
        shared, shared_sigma = _share(radius, sigma, curve, patches.flags | flags)
    ratio = curve.mean_radius() / curve.radius_px
    return Solved(
        radius=shared,
        sigma=shared_sigma,
        own_radius=radius,
        own_sigma=sigma,
        common_sigma=np.hypot(curve.radius_sigma_px, curve.radius_px * fit.sky_pull * sky_unsure),
        mean_radius=ratio * shared,
        flux=flux,
        flux_sigma=flux_sigma,
        sky=sky,
        flags=flags,
        curve=curve,
    )


def _sharpness(radius_px: float) -> float:
    """Noise of a fit to annuli hardly wider than a pixel over what whole pixels would have."""
    return float(np.sqrt(1 - min(_SHARP_GAIN / radius_px**2, _MOST_GAIN)))


def _phase_scatter(radius_px: float) -> float:
    """Relative scatter of a radius with the place of the star in its pixel."""
    return _PIXEL_PHASE / max(radius_px / _PHASE_ENDS_PX, 1.0) ** 2 + _SHARP_PHASE * radius_px**-11


def _share(
    radius: np.ndarray, sigma: np.ndarray, curve: GrowthCurve, flags: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Draw each radius towards the frame's, as far as the stars are seen to be alike.

    Where the radii scatter no more than their noise, a faint star says little that the frame does
    not say better; where the field is tilted or curved they scatter more, and each star stands
    for itself (empirical Bayes: Efron & Morris 1973, JASA 68, 117 -- from memory).
    """
    good = (flags == 0) & np.isfinite(radius) & np.isfinite(sigma)
    n = int(good.sum())
    if n < CROWD:
        return radius, sigma
    gap, own = radius[good] - curve.radius_px, sigma[good] ** 2
    weight = 1 / own**2
    excess = float(
        (weight * (np.clip(np.abs(gap), 0, 4 * sigma[good]) ** 2 - own)).sum() / weight.sum()
    )
    # How well the scatter itself is known: for normal noise its variance is 2 sigma^4.
    unsure = float(np.sqrt(2 / weight.sum()))
    alike = max(excess, 0.0) + unsure
    common = 1 / (1 / own).sum()
    trust = alike / (alike + sigma**2)
    drawn = curve.radius_px + trust * (radius - curve.radius_px)
    # Error of a drawn radius: its share of its own noise, and what the stars really differ by.
    drawn_sigma = np.sqrt(
        (trust * sigma) ** 2 + (1 - trust) ** 2 * (common + max(excess - unsure, 0.0))
    )
    # What stands far off is another kind of thing and is left as it is.
    odd = np.abs(radius - curve.radius_px) > 4 * np.sqrt(alike + sigma**2)
    return np.where(odd, radius, drawn), np.where(odd, sigma, drawn_sigma)


def _blend(
    own: np.ndarray,
    own_sigma: np.ndarray,
    stretched: np.ndarray,
    stretched_sigma: np.ndarray,
    flags: np.ndarray,
    least_scatter: float,
) -> tuple[np.ndarray, np.ndarray]:
    """Combine by the scatter of shapes: the better the stars agree, the more the curve is trusted.

    The stretch is (nearly) efficient, so the noise of the difference has the variance
    ``own^2 - stretched^2``, and is independent of the noise of the stretch.
    """
    noise = np.maximum(own_sigma**2 - stretched_sigma**2, 1e-4 * own_sigma**2)
    gap = own - stretched
    relative = gap / stretched
    bright = (flags == 0) & np.isfinite(relative) & (noise < (0.02 * stretched) ** 2)
    scatter = _LEAST_SHAPE_SCATTER**2 + least_scatter**2
    if bright.sum() >= 5:
        middle = np.median(relative[bright])
        spread = 1.4826 * np.median(np.abs(relative[bright] - middle))
        beyond = spread**2 - np.median((noise / stretched**2)[bright])
        scatter = max(scatter, beyond)
    else:
        scatter = max(scatter, 0.01**2)
    shape = scatter * stretched**2
    trust = shape / (shape + noise)
    radius = stretched + trust * gap
    sigma = np.sqrt(stretched_sigma**2 + trust * noise)
    return np.where(np.isfinite(own), radius, stretched), np.where(
        np.isfinite(own), sigma, stretched_sigma
    )
