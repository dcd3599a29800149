"""One radius that stands for an image, from the radii of its stars: none leads all others."""

from dataclasses import fields, replace
from typing import Any

import numpy as np

from .law import SHARES
from .measured import Bounded, ImageRadius, StarFlag, Stars, count_flags
from .sky import Sky

#: Stars differ over a field by so much at least: no weight grows beyond that of such a star.
LEAST_SCATTER = 0.01
_CLIP, _ROUNDS = 4.0, 8
#: A star below this signal-to-noise ratio tells little of its radius.
FAINT_SNR = 8.0
_NEVER = StarFlag.UNMEASURED | StarFlag.SATURATED | StarFlag.MASKED | StarFlag.SHAPE
#: What differs by more from burnt-out stars beside it is no star.
_LIKE_BURNT = 1.6


def combine(stars: Stars, common: np.ndarray, sky: Sky, n_found: int) -> ImageRadius:
    """Combine the stars of an image; ``common`` (n, 3) are the errors that its stars share."""
    plain = ImageRadius(n_found=n_found, background_adu=sky.level, background_rms_adu=sky.noise)
    known = np.isfinite(stars.radius) & (stars.radius_sigma > 0) & (stars.flags & _NEVER == 0)
    burnt = stars.flags & StarFlag.SATURATED > 0
    if burnt.any():
        # These hardly tell their size, but more than the specks beside them.
        known &= _as_large(stars, np.where(burnt, 0.3, 1.0))
    used = known & (stars.flags == 0)
    if not used.any():
        used = known & ~(burnt.any() & (stars.flags & StarFlag.FAINT > 0))
    if not used.any():
        return replace(plain, set_aside=count_flags(stars.flags), reason=_why_none(stars))
    some, common = stars.part(used), np.median(common[used], axis=0)
    # Where all stars overlap, what their neighbours leave behind is of one sign in all of them.
    alike = bool(np.any(some.flags & StarFlag.BLENDED))
    means = {
        name: robust_mean(getattr(some, name), getattr(some, f"{name}_sigma"), float(shared), alike)
        for name, shared in zip(SHARES, common, strict=True)
    }
    weight = means["radius"][2]
    stars.flags[np.flatnonzero(used)[weight == 0]] |= int(StarFlag.SHAPE)
    shape = weight / weight.sum()
    # Directions are averaged at twice their angle: 0 and 180 degrees are one.
    twice = np.exp(2j * np.radians(some.angle_deg)) * (some.elongation - 1)
    radii: dict[str, Any] = {f"{name}_px": value for name, (value, _, _) in means.items()}
    radii |= {f"{name}_sigma_px": sigma for name, (_, sigma, _) in means.items()}
    return replace(
        plain,
        **radii,
        bounded=_bounded(some, weight, alike),
        set_aside=count_flags(stars.flags),
        n_stars=int((weight > 0).sum()),
        elongation=float(np.nansum(shape * some.elongation)),
        elongation_angle_deg=float(np.degrees(np.angle(np.nansum(shape * twice))) / 2),
    )


def _as_large(stars: Stars, trust: np.ndarray) -> np.ndarray:
    """True for stars about as large as most; the bright and trusted ones have more say."""
    with np.errstate(invalid="ignore"):
        say = np.nan_to_num(trust * np.clip(stars.snr, 0.0, 100.0) * (stars.radius > 0)) ** 2
        typical = weighted_median(np.nan_to_num(stars.radius), say)
        return np.abs(np.log(stars.radius / typical)) < np.log(_LIKE_BURNT)


def _bounded(stars: Stars, weight: np.ndarray, alike: bool) -> Bounded:
    """The radius of half of the light inside one circle, of the stars that share it."""
    usual = stars.bounds[np.argmax(weight)]
    same = np.all(np.abs(stars.bounds - usual) < 0.02 * usual, axis=1)
    same &= np.isfinite(stars.bounded) & (stars.bounded_sigma > 0)
    if not same.any():
        return Bounded()
    radius, sigma, _ = robust_mean(stars.bounded[same], stars.bounded_sigma[same], 0.0, alike)
    names = (f.name for f in fields(Bounded))
    return Bounded(**dict(zip(names, (radius, sigma, *map(float, usual)), strict=True)))


def robust_mean(
    radius: np.ndarray, sigma: np.ndarray, common: float, alike: bool = False
) -> tuple[float, float, np.ndarray]:
    """Weighted mean of radii, its uncertainty, and the weights (0 for outliers).

    Weights are those of each star's own noise and the scatter among the stars, which is found from
    the stars and never taken below a hundredth. From the weighted median on, what departs by four
    times that is left out. Errors that are ``alike`` in all stars do not average out.
    """
    log = np.log(np.maximum(radius, 1e-6))
    own = np.sqrt(np.maximum(sigma**2 - common**2, 0)) / np.maximum(radius, 1e-6)
    scatter, say = 0.0, 1 / (own**2 + LEAST_SCATTER**2)
    centre = weighted_median(log, say)
    for _ in range(_ROUNDS):
        gap, spread = np.abs(log - centre), own**2 + max(scatter, LEAST_SCATTER) ** 2
        near = gap <= _CLIP * np.sqrt(spread)
        if np.sum(say[near]) < 0.5 * np.sum(say):
            near = gap <= np.median(gap)
        if near.sum() > 2:
            # Squares about the mean of n are n / (n - 1) short of those about the truth.
            beyond = gap[near] ** 2 * near.sum() / (near.sum() - 1) - own[near] ** 2
            scatter = float(np.sqrt(max(np.average(beyond, weights=spread[near] ** -2), 0.0)))
        weight = np.where(near, 1 / (own**2 + max(scatter, LEAST_SCATTER) ** 2), 0.0)
        before, centre = centre, float(np.average(log, weights=weight))
        if abs(centre - before) < 1e-5:
            break
    share = weight / weight.sum()
    value = float(np.exp(centre))
    # What the stars really scatter: of three and fewer their own noise has to tell.
    noise = float(np.sqrt(np.sum((share if alike else share**2) * (own**2 + scatter**2))))
    return value, float(np.hypot(noise * value, common)), weight


def weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """Value with half of the weight on each side."""
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order]) - 0.5 * weights[order]
    return float(np.interp(0.5 * weights.sum(), share, values[order]))


def _why_none(stars: Stars) -> str:
    if len(stars) == 0:
        return "no_stars"
    if np.any(stars.flags & StarFlag.SATURATED):
        return "all_saturated"
    return "all_faint" if np.all(stars.flags & StarFlag.FAINT) else "none_usable"
