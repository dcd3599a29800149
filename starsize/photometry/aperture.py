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
#: Circles about every star, in half-flux radii of the typical one; its total is tried from those
#: that reach beyond it.
_CIRCLES = np.array([0.35, 0.6, 0.85, 1.1, 1.3, 1.55, 1.85, 2.2, 2.7, 3.3, 4.0, 4.9, 5.9])
_TRIED = 4
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
    their wings. ``seen`` are the radii as the pixels show them; ``bounded`` and ``bounds`` are
    those of `measured.Stars`.
    """

    radius: np.ndarray
    sigma: np.ndarray
    common: np.ndarray
    seen: np.ndarray
    total: np.ndarray
    total_sigma: np.ndarray
    ring: np.ndarray
    law: Law
    bounded: np.ndarray
    bounded_sigma: np.ndarray
    bounds: np.ndarray


def measure_apertures(
    patches: Patches, rings: Rings, guess_px: float, noise: Noise, *, teach: np.ndarray
) -> Apertures:
    """Measure the radii of stars of about one size; ``teach`` marks those fit to teach the law."""
    growth, inside, half, law = _first_look(patches, rings, guess_px, noise)
    totals = growth.totals(inside, half, law)
    half, _ = growth.radius_holding(0.5 * totals.light, half)
    for _ in range(2):
        law = growth.learn(half, totals.light, teach, law)
        totals = growth.totals(inside, half, law)
        half, _ = growth.radius_holding(0.5 * totals.light, half, rounds=1)
        totals = growth.totals(inside, half, law)
    return growth.finish(half, totals, law)


def about_how_large(patches: Patches, rings: Rings, guess_px: float, noise: Noise) -> float:
    """Median half-flux radius of stars of about one size, by a look at coarse growth curves."""
    return float(np.median(_first_look(patches, rings, guess_px, noise)[2]))


def _first_look(
    patches: Patches, rings: Rings, guess_px: float, noise: Noise
) -> tuple["_Growth", np.ndarray, np.ndarray, Law]:
    """Growth of the stars, their light inside its nodes, about their size, and the usual law."""
    limit = min(float(np.median(rings.inner)), patches.half - 1.0)
    circles = guess_px * _CIRCLES
    circles = circles[circles <= max(limit, circles[_TRIED + 1])]
    growth = _Growth(patches, rings, noise, circles[_TRIED:])
    law = usual_law(round(min(_pixel_variance(patches) / guess_px**2, 0.25), 2))
    inside = growth.inside(np.broadcast_to(circles, (len(rings.level), len(circles))))
    totals = growth.totals(inside[:, _TRIED:], np.full(len(inside), guess_px), law)
    return growth, inside[:, _TRIED:], _crossing(circles, inside, 0.5 * totals.light), law


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
    """Sums about stars, their sky ring taken off."""

    patches: Patches
    rings: Rings
    noise: Noise
    nodes: np.ndarray

    def inside(self, radii: np.ndarray) -> np.ndarray:
        level = self.rings.level.reshape(-1, *(1,) * (radii.ndim - 1))
        return self.patches.sums(radii) - np.pi * radii**2 * level

    def sky_sigma(self) -> np.ndarray:
        """Uncertainty of each ring's level."""
        one = self.noise.pixel * self.noise.rough
        return one / np.sqrt(np.maximum(self.rings.count, 9))

    def learn(self, half: np.ndarray, total: np.ndarray, teach: np.ndarray, before: Law) -> Law:
        """Learn the law from the stacked growth of the brightest stars fit to teach."""
        area = 4 * np.pi * half**2
        noise2 = (self.noise.pixel * self.noise.rough) ** 2 * area + (self.sky_sigma() * area) ** 2
        error = np.sqrt(noise2) / np.maximum(total, 1e-9)
        fit = teach & (total > 0) & (error < 0.5) & (half > 0.3)
        if not fit.any():
            return before
        best = np.flatnonzero(fit)[np.argsort(error[fit], kind="stable")[:_TEACHERS]]
        some = _Growth(
            self.patches.part(best),
            Rings(*(getattr(self.rings, f)[best] for f in Rings.__slots__)),
            self.noise,
            self.nodes,
        )
        half, total = half[best], total[best]
        scale = float(np.median(half))
        inner, outer = (float(np.median(r)) / scale for r in (some.rings.inner, some.rings.outer))
        reach = min(inner, (self.patches.half - 1) / scale)
        radii = _STACK[max(reach, 1.2) >= _STACK]
        curves = some.inside(half[:, None] * radii) / total[:, None]
        weight = 1 / (error[best] ** 2 + _TEACHER_WEIGHT**2)
        weight *= _alike(curves, error[best])
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
        sky = np.sqrt(weight**2 @ (some.sky_sigma() * np.pi * half**2 / total) ** 2)
        blur = min(_pixel_variance(self.patches) / scale**2, 0.25)
        ring = inner, max(outer, inner + 0.1)
        law, _ = learn_law(radii, stack, sigma, ring=ring, sky_sigma=float(sky), blur=blur)
        return law

    def totals(self, inside: np.ndarray, half: np.ndarray, law: Law) -> _Totals:
        """All the light, each star's from the circle that makes its uncertainty least.

        ``inside`` is the light inside ``nodes``.
        """
        inner, outer = ((r / half)[:, None] for r in (self.rings.inner, self.rings.outer))
        one, sky = self.noise.pixel * self.noise.rough, self.sky_sigma()[:, None]
        k = self.nodes / half[:, None]
        seen = np.maximum(law.seen(k, inner, outer), 0.2)
        light = inside / seen
        beyond = _LEAST_LAW_ERROR * (1 - law.inside(k))
        doubt = np.maximum(np.interp(k, RADII, law.sigma), beyond) / seen * np.abs(light)
        # What is taken to lie beyond hangs on the radius that the light decides.
        echo = 1 / (1 - np.minimum(0.5 * law.slope(k) / law.slope(1.0), 0.7))
        area = echo * np.pi * self.nodes**2 / seen
        photons = self.noise.inverse_gain * np.maximum(light, 0)
        random = np.sqrt(echo * one**2 * area / seen + echo**2 * photons)
        error = np.sqrt(random**2 + (sky * area) ** 2 + doubt**2)
        error[(k > inner) & (self.nodes > self.nodes[0])] = np.inf
        best = np.arange(len(half)), np.argmin(error, axis=1)
        return _Totals(light[best], random[best], area[best], doubt[best])

    def radius_holding(
        self, light: np.ndarray, radius: np.ndarray, rounds: int = 2
    ) -> tuple[np.ndarray, np.ndarray]:
        """Radius of the circle that holds so much light, and the growth of light there (Newton)."""
        slope = np.ones_like(radius)
        for _ in range(rounds):
            step = 0.04 * radius
            near = self.inside(radius[:, None] + step[:, None] * np.array([-1, 1]))
            slope = np.maximum((near[:, 1] - near[:, 0]) / (2 * step), 0.2 * np.abs(light) / radius)
            slope = np.maximum(slope, 1e-12)
            move = (light - near.mean(axis=1)) / slope
            radius = radius + np.clip(move, -0.3 * radius, 0.3 * radius)
            radius = np.clip(radius, 0.05, self.patches.half - 0.5)
        return radius, slope

    def bounded(
        self, half: np.ndarray, shake: np.ndarray, place: np.ndarray, law: Law
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Radius of half of the light inside one circle for all stars, its sigma, bounds."""
        typical = float(np.median(half))
        circle = min(_CIRCLE * typical, self.patches.half - 0.5)
        bounds = np.broadcast_to([circle, 0, 0, _pixel_variance(self.patches)], (len(half), 4))
        bounds = bounds.copy()
        bounds[:, 1], bounds[:, 2] = self.rings.inner, self.rings.outer
        light = np.maximum(self.inside(np.full((len(half), 1), circle))[:, 0], 1e-12)
        seen, slope = self.radius_holding(0.5 * light, half, rounds=3)
        area = np.pi * circle**2
        one, sky = self.noise.pixel * self.noise.rough, self.sky_sigma()
        variance = 0.25 * (one**2 * area + self.noise.inverse_gain * light)
        variance += ((0.5 * area - np.pi * seen**2) * sky) ** 2
        radius = np.sqrt(np.maximum(seen**2 - law.kappa[1] * shake, 0.1 * seen**2))
        sigma = seen / radius * np.sqrt(variance / slope**2 + place**2)
        return radius, sigma, bounds

    def finish(
        self,
        half: np.ndarray,
        totals: _Totals,
        law: Law,
    ) -> Apertures:
        """Radii of all shares as the light fell, with their uncertainties."""
        seen, slope = (
            np.stack(v, axis=1)
            for v in zip(
                *(
                    self.radius_holding(
                        p * totals.light, half * float(np.interp(p, law.share, RADII))
                    )
                    for p in SHARES
                ),
                strict=True,
            )
        )
        share = np.array(SHARES)
        light = np.maximum(totals.light, 1e-12)[:, None]
        # Light within r is part of the total: delta r = (p dT - dF(r)) / F'(r).
        area, one, sky = np.pi * seen**2, self.noise.pixel * self.noise.rough, self.sky_sigma()
        within = one**2 * area + self.noise.inverse_gain * share * light
        variance = share**2 * totals.random[:, None] ** 2 + (1 - 2 * share) * within
        variance = np.maximum(variance, share * (1 - share) * within)
        variance += ((share * totals.area[:, None] - area) * sky[:, None]) ** 2
        common = np.hypot(share * totals.doubt[:, None] / slope, _LEAST_COMMON * seen)
        light_sigma = np.sqrt(totals.random**2 + (sky * totals.area) ** 2 + totals.doubt**2)
        shake = 0.7 * (half * light_sigma / light[:, 0]) ** 2  # variance of the centre
        shake = np.minimum(shake, half**2)
        blur = (_pixel_variance(self.patches) + shake)[:, None]
        radius = np.sqrt(np.maximum(seen**2 - law.kappa * blur, 0.1 * seen**2))
        widen = seen / radius
        # Less than a pixel wide, a star's radius hangs on where in its pixel it lies (seen so).
        place = 0.03 * seen * np.exp(np.minimum((0.82 - half) / 0.13, 1.0))[:, None]
        sigma = widen * np.sqrt(variance / slope**2 + common**2 + place**2)
        return Apertures(
            radius, sigma, widen * common, seen, totals.light, light_sigma, self.rings.level, law,
            *self.bounded(half, shake, place[:, 0], law),
        )  # fmt: skip


def _crossing(circles: np.ndarray, inside: np.ndarray, light: np.ndarray) -> np.ndarray:
    """About where a coarse growth curve first holds so much light."""
    inside = np.maximum.accumulate(inside, axis=1)
    over = np.argmax(inside >= light[:, None], axis=1)
    over = np.where(inside[:, -1] < light, len(circles) - 1, np.maximum(over, 1))
    rows = np.arange(len(light))
    low, high = inside[rows, over - 1], inside[rows, over]
    share = np.clip((light - low) / np.maximum(high - low, 1e-9), -0.5, 1.5)
    # Light of a flat core grows with the square of the radius.
    a, b = circles[over - 1] ** 2, circles[over] ** 2
    return np.sqrt(np.maximum(a + share * (b - a), 0.04 * a))


def _pixel_variance(patches: Patches) -> float:
    """Variance along an axis that pixels add: to collect the light, and to count it as spread."""
    return (1 + (1 if patches.fine is None else FINER**-2)) / 12


def _typical_growth(curves: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Growth of the median star, and the uncertainty of each annulus' light from the scatter.

    Neighbours' light is in the outskirts of most stars, and more in some than in others.
    """
    rings = np.diff(curves, axis=1, prepend=0.0).T
    middle = np.array([weighted_median(ring, weight) for ring in rings])
    away = [weighted_median(np.abs(r - m), weight) for r, m in zip(rings, middle, strict=True)]
    # 1.4826 for a median to stand for sigma, 1.25 for a median's own uncertainty.
    return np.cumsum(middle), 1.86 * np.sqrt(np.sum(weight**2)) * np.array(away)


def _alike(curves: np.ndarray, error: np.ndarray) -> np.ndarray:
    """1 for growth curves like the others, 0 for those that depart: none teaches against all."""
    if len(curves) < 3:
        return np.ones(len(curves))
    early = curves[:, min(2, curves.shape[1] - 1)]
    gap = np.abs(early - np.median(early))
    alike = gap <= 4 * np.maximum(1.4826 * np.median(gap), error) + 0.02
    return alike.astype(float)
