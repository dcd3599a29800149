"""Radii that hold a share of a star's light, with all of its light and every source of error."""

from dataclasses import dataclass

import numpy as np

from .combine import weighted_median
from .law import RADII, SHARES, Law, learn_law, usual_law
from .patches import FINER, Patches, Rings

#: Radii of the stacked growth curve, in half-flux radii.
_STACK = np.array([0.3, 0.6, 0.8, 1.0, 1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.4, 4.0, 4.8, 5.7, 6.6])
_TEACHERS, _TEACHER_WEIGHT = 80, 0.02
#: From so many stars on their median and scatter tell more than their mean and noise.
_ENOUGH = 8
#: Growth is followed so near to the sky ring; a star's total is tried from so many circles, the
#: smallest so many half-flux radii of the typical star.
_NEAR_RING, _CIRCLES, _TRIED = 0.92, 12, 1.25
#: What lies beyond an aperture is known to this share of it, however well the table fits.
_LEAST_LAW_ERROR = 0.08
#: No telescope's light grows quite as a curve of the table: share of the radius.
_LEAST_COMMON = 0.001
#: Circle whose light counts as all of it for ``bounded``, in half-flux radii of the typical star.
_CIRCLE = 2.2


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """What blurs the light of a pixel.

    ``pixel`` is its noise, ``rough`` how much more wide sums scatter, ``inverse_gain`` the variance
    that each unit of light brings along.
    """

    pixel: float
    rough: float
    inverse_gain: float


@dataclass(frozen=True, slots=True, eq=False)
class Apertures:
    """Radii of stars in pixels of their patches; columns follow ``SHARES``.

    ``common`` is the part of ``sigma`` that all stars of the image share: what is not known of
    their wings. ``seen`` are the half-flux radii as the pixels show them; ``bounded`` and
    ``bounds`` are those of `measured.Stars`.
    """

    radius: np.ndarray
    sigma: np.ndarray
    common: np.ndarray
    seen: np.ndarray
    total: np.ndarray
    total_sigma: np.ndarray
    law: Law
    bounded: np.ndarray
    bounded_sigma: np.ndarray
    bounds: np.ndarray


def measure_apertures(
    patches: Patches, rings: Rings, guess_px: float, noise: Noise, *, teach: np.ndarray
) -> Apertures:
    """Measure the radii of stars of about one size; ``teach`` marks those fit to teach the law."""
    growth, half, law = _first_look(patches, rings, guess_px, noise)
    for _ in range(2):
        law = growth.learn(half, growth.totals(half, law).light, teach, law)
        half = growth.radius_holding(0.5 * growth.totals(half, law).light)
    return growth.finish(half, growth.totals(half, law), law)


def about_how_large(patches: Patches, rings: Rings, guess_px: float, noise: Noise) -> float:
    """Median half-flux radius of stars of about one size, as the usual law has it."""
    return float(np.median(_first_look(patches, rings, guess_px, noise)[1]))


def _first_look(
    patches: Patches, rings: Rings, guess_px: float, noise: Noise
) -> tuple["_Growth", np.ndarray, Law]:
    """Growth of the stars, about their size, and the usual law."""
    limit = _NEAR_RING * min(float(np.median(rings.inner)), patches.half - 1.0)
    radii, light = patches.growth(max(limit, 1.5 * guess_px))
    growth = _Growth(
        light=light - np.pi * radii**2 * rings.level[:, None],
        squares=radii**2,
        tried=np.searchsorted(radii, np.geomspace(_TRIED * guess_px, radii[-1], _CIRCLES)),
        rings=rings,
        noise=noise,
        reach=patches.half - 1,
        pixel=(1 + (1 if patches.fine is None else FINER**-2)) / 12,
    )
    law = usual_law(round(min(growth.pixel / guess_px**2, 0.25), 2))
    half = growth.radius_holding(0.5 * growth.totals(np.full(len(light), guess_px), law).light)
    return growth, half, law


@dataclass(frozen=True, slots=True, eq=False)
class _Totals:
    """All the light of each star.

    ``random`` is its noise less that of the sky's level, which counts ``area`` times; ``doubt`` its
    uncertainty from the law.
    """

    light: np.ndarray
    random: np.ndarray
    area: np.ndarray
    doubt: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class _Growth:
    """Light of stars, sky ring taken off, by the square of the radius: linear in a flat core.

    ``tried`` are the steps from which a star's total is tried, ``reach`` how far patches go;
    ``pixel`` is the variance along an axis that pixels add: to collect the light, and to count it
    as spread.
    """

    light: np.ndarray
    squares: np.ndarray
    tried: np.ndarray
    rings: Rings
    noise: Noise
    reach: int
    pixel: float

    def inside(self, radii: np.ndarray, stars: slice | np.ndarray = slice(None)) -> np.ndarray:
        """(n, k) light of some stars inside circles of (n, k) radii."""
        square, light = np.minimum(radii**2, self.squares[-1]), self.light[stars]
        after = np.clip(np.searchsorted(self.squares, square), 1, len(self.squares) - 1)
        low, high = self.squares[after - 1], self.squares[after]
        before, behind = (np.take_along_axis(light, k, axis=1) for k in (after - 1, after))
        return before + (square - low) / (high - low) * (behind - before)

    def radius_holding(self, light: np.ndarray) -> np.ndarray:
        """Radius of the smallest circle that holds so much light."""
        holds = self.light >= light[:, None]
        after = np.where(holds.any(axis=1), np.maximum(holds.argmax(axis=1), 1), -1)
        rows = np.arange(len(light))
        low, high = self.light[rows, after - 1], self.light[rows, after]
        part = np.clip((light - low) / np.maximum(high - low, 1e-12), 0, 1)
        a, b = self.squares[after - 1], self.squares[after]
        return np.maximum(np.sqrt(a + part * (b - a)), 0.05)

    def slope(self, radius: np.ndarray, light: np.ndarray) -> np.ndarray:
        """Growth with the radius of light about circles; never much below that of ``light``."""
        near = self.inside(radius[:, None] * np.array([0.95, 1.05]))
        steep = (near[:, 1] - near[:, 0]) / (0.1 * radius)
        return np.maximum(np.maximum(steep, 0.2 * np.abs(light) / radius), 1e-12)

    def sky_sigma(self) -> np.ndarray:
        """Uncertainty of each ring's level."""
        one = self.noise.pixel * self.noise.rough
        return one / np.sqrt(np.maximum(self.rings.count, 9))

    def learn(self, half: np.ndarray, total: np.ndarray, teach: np.ndarray, before: Law) -> Law:
        """Learn the law from the stacked growth of the brightest stars fit to teach."""
        area, sky = 4 * np.pi * half**2, self.sky_sigma()
        noise2 = (self.noise.pixel * self.noise.rough) ** 2 * area + (sky * area) ** 2
        error = np.sqrt(noise2) / np.maximum(total, 1e-9)
        fit = teach & (total > 0) & (error < 0.5) & (half > 0.3)
        if not fit.any():
            return before
        best = np.flatnonzero(fit)[np.argsort(error[fit], kind="stable")[:_TEACHERS]]
        half, total, error, sky = half[best], total[best], error[best], sky[best]
        scale = float(np.median(half))
        inner, outer = (
            float(np.median(r[best])) / scale for r in (self.rings.inner, self.rings.outer)
        )
        radii = _STACK[max(min(inner, self.reach / scale), 1.2) >= _STACK]
        curves = self.inside(half[:, None] * radii, best) / total[:, None]
        weight = 1 / (error**2 + _TEACHER_WEIGHT**2)
        weight /= weight.sum()
        stack = weight @ curves
        if not stack[-1] > 0:
            return before
        area = np.pi * np.diff(radii**2, prepend=0.0)
        light = np.maximum(np.diff(stack, prepend=0.0), 0)
        variance = (self.noise.pixel * half / total)[:, None] ** 2 * area
        variance += light * (self.noise.inverse_gain / total)[:, None]
        sigma = np.sqrt(weight**2 @ variance)
        if len(best) >= _ENOUGH:
            stack, scatter = _typical_growth(curves, weight)
            sigma = np.maximum(sigma, scatter)
        level = float(np.sqrt(weight**2 @ (sky * np.pi * half**2 / total) ** 2))
        blur = min(self.pixel / scale**2, 0.25)
        ring = inner, max(outer, inner + 0.1)
        return learn_law(radii, stack, sigma, ring=ring, sky_sigma=level, blur=blur)

    def totals(self, half: np.ndarray, law: Law) -> _Totals:
        """All the light, each star's from the circle that makes its uncertainty least."""
        inner, outer = ((r / half)[:, None] for r in (self.rings.inner, self.rings.outer))
        one, sky = self.noise.pixel * self.noise.rough, self.sky_sigma()[:, None]
        tried = np.sqrt(self.squares[self.tried])
        k = tried / half[:, None]
        seen = np.maximum(law.seen(k, inner, outer), 0.2)
        light = self.light[:, self.tried] / seen
        beyond = _LEAST_LAW_ERROR * (1 - law.inside(k))
        doubt = np.maximum(np.interp(k, RADII, law.sigma), beyond) / seen * np.abs(light)
        # What is taken to lie beyond hangs on the radius that the light decides.
        echo = 1 / (1 - np.minimum(0.5 * law.slope(k) / law.slope(1.0), 0.7))
        area = echo * np.pi * tried**2 / seen
        photons = self.noise.inverse_gain * np.maximum(light, 0)
        random = np.sqrt(echo * one**2 * area / seen + echo**2 * photons)
        error = np.sqrt(random**2 + (sky * area) ** 2 + doubt**2)
        error[(k > inner) & (tried > tried[0])] = np.inf
        best = np.arange(len(half)), np.argmin(error, axis=1)
        return _Totals(light[best], random[best], area[best], doubt[best])

    def bounded(
        self, half: np.ndarray, shake: np.ndarray, place: np.ndarray, law: Law
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Radius of half of the light inside one circle for all stars, its sigma, bounds."""
        circle = min(_CIRCLE * float(np.median(half)), self.reach + 0.5)
        bounds = np.tile([circle, 0, 0, self.pixel], (len(half), 1))
        bounds[:, 1], bounds[:, 2] = self.rings.inner, self.rings.outer
        light = np.maximum(self.inside(np.full((len(half), 1), circle))[:, 0], 1e-12)
        seen = self.radius_holding(0.5 * light)
        area = np.pi * circle**2
        one, sky = self.noise.pixel * self.noise.rough, self.sky_sigma()
        variance = 0.25 * (one**2 * area + self.noise.inverse_gain * light)
        variance += ((0.5 * area - np.pi * seen**2) * sky) ** 2
        radius = np.sqrt(np.maximum(seen**2 - law.kappa[1] * shake, 0.1 * seen**2))
        slope = self.slope(seen, light)
        return radius, seen / radius * np.sqrt(variance / slope**2 + place**2), bounds

    def total_sigma(self, totals: _Totals) -> np.ndarray:
        """Uncertainty of all the light."""
        return np.sqrt(totals.random**2 + (self.sky_sigma() * totals.area) ** 2 + totals.doubt**2)

    def finish(self, half: np.ndarray, totals: _Totals, law: Law) -> Apertures:
        """Radii of all shares as the light fell, with their uncertainties."""
        share, light = np.array(SHARES), np.maximum(totals.light, 1e-12)[:, None]
        seen = np.stack([self.radius_holding(p * totals.light) for p in SHARES], axis=1)
        slope = np.stack([self.slope(r, totals.light) for r in seen.T], axis=1)
        # Light within r is part of the total: delta r = (p dT - dF(r)) / F'(r).
        area, one, sky = np.pi * seen**2, self.noise.pixel * self.noise.rough, self.sky_sigma()
        within = one**2 * area + self.noise.inverse_gain * share * light
        variance = share**2 * totals.random[:, None] ** 2 + (1 - 2 * share) * within
        variance = np.maximum(variance, share * (1 - share) * within)
        variance += ((share * totals.area[:, None] - area) * sky[:, None]) ** 2
        doubts = share * totals.doubt[:, None] / slope, law.kappa_sigma * self.pixel / (2 * seen)
        common = np.hypot(np.hypot(*doubts), _LEAST_COMMON * seen)
        light_sigma = self.total_sigma(totals)
        shake = 0.7 * (half * light_sigma / light[:, 0]) ** 2  # variance of the centre
        shake = np.minimum(shake, half**2)
        blur = (self.pixel + shake)[:, None]
        radius = np.sqrt(np.maximum(seen**2 - law.kappa * blur, 0.1 * seen**2))
        widen = seen / radius
        # Less than a pixel wide, a star's radius hangs on where in its pixel it lies (seen so).
        place = 0.03 * seen * np.exp(np.minimum((0.82 - half) / 0.13, 1.0))[:, None]
        sigma = widen * np.sqrt(variance / slope**2 + common**2 + place**2)
        return Apertures(
            radius, sigma, widen * common, seen[:, 1], totals.light, light_sigma, law,
            *self.bounded(half, shake, place[:, 0], law),
        )  # fmt: skip


def _typical_growth(curves: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Growth of the median star, and the uncertainty of each annulus' light from the scatter.

    Neighbours' light is in the outskirts of most stars, and more in some than in others.
    """
    rings = np.diff(curves, axis=1, prepend=0.0).T
    middle = np.array([weighted_median(ring, weight) for ring in rings])
    away = [weighted_median(np.abs(r - m), weight) for r, m in zip(rings, middle, strict=True)]
    # 1.4826 for a median to stand for sigma, 1.25 for a median's own uncertainty.
    return np.cumsum(middle), 1.86 * np.sqrt(np.sum(weight**2)) * np.array(away)
