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
_CIRCLE = 2.6


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """What blurs the light of a pixel.

    ``pixel`` is its noise, ``rough`` how much more wide sums scatter, ``inverse_gain`` the variance
    that each unit of light brings along.
    """

    pixel: float
    rough: float
    inverse_gain: float


def growth_of(
    patches: Patches, rings: Rings, guess_px: float, noise: Noise, *, pixel_px2: float
) -> "Growth":
    """Growth of the light of stars of about one size, the level of their sky rings taken off."""
    limit = _NEAR_RING * min(float(np.median(rings.inner)), patches.half - 1.0)
    radii, light = patches.growth(max(limit, 1.5 * guess_px))
    return Growth(
        light=light - np.pi * radii**2 * rings.level[:, None],
        squares=radii**2,
        tried=np.searchsorted(radii, np.geomspace(_TRIED * guess_px, radii[-1], _CIRCLES)),
        rings=rings,
        noise=noise,
        reach=patches.half - 1,
        # To collect the light, and to count it as spread.
        pixel=pixel_px2 + (1 if patches.fine is None else FINER**-2) / 12,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Circles:
    """The circle of each star that tells most of all its light.

    ``light`` inside it is a ``share`` of all; ``doubt`` is what the law leaves unknown of that,
    relative. An error of the light grows by ``echo``: what is taken to lie beyond hangs on the
    radius that the light decides.
    """

    radius: np.ndarray
    light: np.ndarray
    share: np.ndarray
    echo: np.ndarray
    doubt: np.ndarray
    sigma: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """All the light; ``sigma`` is its uncertainty."""
        return self.light / self.share


@dataclass(frozen=True, slots=True, eq=False)
class Growth:
    """Light of stars, sky ring taken off, by the square of the radius: linear in a flat core.

    ``tried`` are the steps from which a star's total is tried, ``reach`` how far patches go;
    ``pixel`` is the variance along an axis that pixels add.
    """

    light: np.ndarray
    squares: np.ndarray
    tried: np.ndarray
    rings: Rings
    noise: Noise
    reach: int
    pixel: float

    def first_look(self, guess_px: float) -> tuple[np.ndarray, Law]:
        """Half-flux radii as the usual law has them, and that law."""
        law = usual_law(round(min(self.pixel / guess_px**2, 0.25), 2))
        return self.halves(np.full(len(self.light), guess_px), law), law

    def halves(self, half: np.ndarray, law: Law) -> np.ndarray:
        """Half-flux radii from about such ones, as the pixels show them."""
        return self.radius_holding(0.5 * self.circles(half, law).total)

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

    def held(
        self, share: np.ndarray, circle: np.ndarray, light: np.ndarray, echo: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Radius r that holds a share q of the light T of circles, its variance, dF/dr there.

        Light F within r is part of that of the circle: delta r = (q dT - dF(r)) / F'(r).
        """
        seen = self.radius_holding(share * light)
        near = self.inside(seen[:, None] * np.array([0.95, 1.05]))
        slope = np.maximum((near[:, 1] - near[:, 0]) / (0.1 * seen), 0.2 * np.abs(light) / seen)
        slope, q = np.maximum(slope, 1e-12), echo * share
        areas = np.pi * circle**2, np.pi * seen**2
        all_of_it, within = (
            self._variance(a, f) for a, f in zip(areas, (light, share * light), strict=True)
        )
        variance = q**2 * all_of_it + within - 2 * q * np.minimum(all_of_it, within)
        variance += ((q * areas[0] - areas[1]) * self.sky_sigma) ** 2
        return seen, variance / slope**2, slope

    def _variance(self, area: np.ndarray, light: np.ndarray) -> np.ndarray:
        """Of light on an area, but for the sky's level."""
        noise = self.noise
        return (noise.pixel * noise.rough) ** 2 * area + noise.inverse_gain * np.maximum(light, 0)

    @property
    def sky_sigma(self) -> np.ndarray:
        """Uncertainty of each ring's level."""
        return self.noise.pixel * self.noise.rough / np.sqrt(np.maximum(self.rings.count, 9))

    def learn(self, half: np.ndarray, before: Law, teach: np.ndarray) -> Law:
        """Learn the law from the stacked growth of the brightest stars fit to teach."""
        total, area, sky = self.circles(half, before).total, 4 * np.pi * half**2, self.sky_sigma
        error = np.sqrt(self._variance(area, np.zeros(1)) + (sky * area) ** 2)
        error /= np.maximum(total, 1e-9)
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
        area = np.pi * np.diff(radii**2, prepend=0.0) * half[:, None] ** 2
        light = np.maximum(np.diff(stack, prepend=0.0), 0) * total[:, None]
        noise = self.noise.pixel**2 * area + self.noise.inverse_gain * light
        sigma = np.sqrt(weight**2 @ (noise / total[:, None] ** 2))
        if len(best) >= _ENOUGH:
            stack, scatter = _typical_growth(curves, weight)
            sigma = np.maximum(sigma, scatter)
        level = float(np.sqrt(weight**2 @ (sky * np.pi * half**2 / total) ** 2))
        blur = min(self.pixel / scale**2, 0.25)
        ring = inner, max(outer, inner + 0.1)
        return learn_law(radii, stack, sigma, ring=ring, sky_sigma=level, blur=blur)

    def circles(self, half: np.ndarray, law: Law) -> _Circles:
        """For each star the circle that makes the uncertainty of its light least."""
        inner, outer = ((r / half)[:, None] for r in (self.rings.inner, self.rings.outer))
        tried = np.sqrt(self.squares[self.tried])
        k, light, area = tried / half[:, None], self.light[:, self.tried], np.pi * tried**2
        share = np.maximum(law.seen(k, inner, outer), 0.2)
        beyond = _LEAST_LAW_ERROR * (1 - law.inside(k))
        doubt = np.maximum(np.interp(k, RADII, law.sigma), beyond) / share
        echo = 1 / (1 - np.minimum(0.5 * law.slope(k) / law.slope(1.0), 0.7))
        noise2 = self._variance(area, light) + (self.sky_sigma[:, None] * area) ** 2
        error = np.hypot(echo * np.sqrt(noise2), doubt * light) / share
        near = (k <= inner) | (tried == tried[0])
        best = np.arange(len(half)), np.argmin(np.where(near, error, np.inf), axis=1)
        return _Circles(tried[best[1]], *(v[best] for v in (light, share, echo, doubt, error)))

    def measure(self, half: np.ndarray, law: Law) -> tuple[dict[str, np.ndarray], np.ndarray]:
        """Columns of `measured.Stars`: radii of all shares as the light fell, uncertainties, flux.

        And (n, 3) the part of the uncertainties of ``SHARES`` that all stars have in common, from
        what is not known of the wings.
        """
        best = self.circles(half, law)
        total = np.maximum(best.total, 1e-12)
        shake = np.minimum(0.7 * (best.sigma / total) ** 2, 1) * half**2  # variance of the centre
        # Less than a pixel wide, a star's radius hangs on where in its pixel it lies (seen so).
        place = 0.03 * np.exp(np.minimum((0.82 - half) / 0.13, 1.0))
        found, in_common = {"flux": best.total, "flux_sigma": best.sigma}, []
        for k, (name, share) in enumerate(SHARES.items()):
            seen, variance, slope = self.held(
                share / best.share, best.radius, best.light, best.echo
            )
            common = np.hypot(share * best.doubt * total / slope, _LEAST_COMMON * seen)
            common = np.hypot(common, law.kappa_sigma[k] * self.pixel / (2 * seen))
            blur = law.kappa[k] * (self.pixel + shake)
            found[name] = np.sqrt(np.maximum(seen**2 - blur, 0.1 * seen**2))
            widen = seen / found[name]
            found[f"{name}_sigma"] = widen * np.sqrt(variance + common**2 + (place * seen) ** 2)
            in_common.append(widen * common)
        # Bright stars show more of a wide halo.
        typical = weighted_median(half, np.sqrt(total))
        circle = np.full(len(half), min(_CIRCLE * typical, self.reach + 0.5))
        light = np.maximum(self.inside(circle[:, None])[:, 0], 1e-12)
        seen, variance, _ = self.held(np.full_like(circle, 0.5), circle, light, np.ones(1))
        found["bounded"] = np.sqrt(np.maximum(seen**2 - law.kappa[1] * shake, 0.1 * seen**2))
        widen = seen / found["bounded"]
        found["bounded_sigma"] = widen * np.sqrt(variance + (place * seen) ** 2)
        pixel = np.full_like(circle, self.pixel)
        found["bounds"] = np.stack([circle, self.rings.inner, self.rings.outer, pixel], axis=1)
        return found, np.stack(in_common, axis=1)


def _typical_growth(curves: np.ndarray, weight: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Growth of the median star, and the uncertainty of each annulus' light from the scatter."""
    # Neighbours' light is in the outskirts of most stars, and more in some than in others.
    rings = np.diff(curves, axis=1, prepend=0.0)
    middle = _medians(rings, weight)
    away = _medians(np.abs(rings - middle), weight)
    # 1.4826 for a median to stand for sigma, 1.25 for a median's own uncertainty.
    return np.cumsum(middle), 1.86 * np.sqrt(np.sum(weight**2)) * away


def _medians(columns: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """Of each column the value with half of the weight, which sums to one, on each side."""
    order = np.argsort(columns, axis=0)
    middle = (np.cumsum(weight[order], axis=0) < 0.5).sum(axis=0)
    rows = np.minimum(middle, len(columns) - 1)[None]
    return np.take_along_axis(columns, np.take_along_axis(order, rows, axis=0), axis=0)[0]
