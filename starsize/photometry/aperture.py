"""Radii that hold a share of a star's light, with all of its light and every source of error."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from .combine import weighted_median
from .detect import Detected, Peaks
from .law import RADII, SHARES, Law, learn_law, usual_law
from .patches import FINER, Patches, read_patches, sky_rings

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
#: Stars larger than this (half-flux radius, pixels) are measured on the binned image; smaller than
#: that they feel where the pixels lie.
_LARGE_PX, _SMALL_PX = 7.0, 4.0
_Some = np.ndarray | float


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """An image, all that stands out of it, and what is known of its camera.

    ``pixel_px2`` is the variance along an axis by which a pixel smears the light. Centres stay
    where the peaks are if ``placed``.
    """

    found: Detected
    peaks: Peaks
    gain: float | None
    ceiling: float
    pixel_px2: float
    placed: bool


class _Circles(NamedTuple):
    """The circle of each star that tells most of all its light.

    ``light`` inside it is a ``share`` of all; ``doubt`` is what the law leaves unknown of that,
    relative. An error of the light grows by ``echo``: what is taken to lie beyond hangs on the
    radius that the light decides. ``sigma`` is the uncertainty of ``total``, all the light.
    """

    radius: np.ndarray
    light: np.ndarray
    share: np.ndarray
    echo: np.ndarray
    doubt: np.ndarray
    sigma: np.ndarray

    @property
    def total(self) -> np.ndarray:
        return self.light / self.share


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """Stars of about one size on the image binned by a ``factor``, and how their light grows.

    All is in pixels of that image. ``light`` (n, k) inside circles, the level of a sky ring from
    ``inner`` to ``outer`` taken off, which ``count`` pixels tell, by the ``squares`` (k,) of the
    radii: linear in a flat core. ``tried`` are the steps from which a star's total is tried. The
    noise of a pixel is ``noise``, in wide sums ``wide_noise``; each unit of light brings the
    variance ``per_light``, pixels add ``pixel`` to that of a radius along an axis.
    """

    factor: int
    image: np.ndarray
    peaks: Peaks
    chosen: np.ndarray
    guess_px: float
    sky: np.ndarray
    patches: Patches
    level: np.ndarray
    count: np.ndarray
    inner: np.ndarray
    outer: np.ndarray
    light: np.ndarray
    squares: np.ndarray
    tried: np.ndarray
    noise: float
    wide_noise: float
    per_light: float
    pixel: float

    @property
    def reach(self) -> int:
        """How far patches go."""
        return self.patches.half - 1

    @property
    def sky_sigma(self) -> np.ndarray:
        """Uncertainty of each ring's level."""
        return self.wide_noise / np.sqrt(np.maximum(self.count, 9))

    def variance(self, area: np.ndarray, light: np.ndarray | float) -> np.ndarray:
        """Of light on an area, but for the sky's level."""
        return self.wide_noise**2 * area + self.per_light * np.maximum(light, 0)

    def first_look(self) -> tuple[np.ndarray, Law]:
        """Half-flux radii as the usual law has them, and that law."""
        law = usual_law(round(min(self.pixel / self.guess_px**2, 0.25), 2))
        return self.halves(np.full(len(self.light), self.guess_px), law), law

    def halves(self, half: np.ndarray, law: Law) -> np.ndarray:
        """Half-flux radii from about such ones, as the pixels show them."""
        return self.radius_holding(0.5 * self.circles(half, law).total)

    def inside(self, radii: np.ndarray, stars: slice | np.ndarray = slice(None)) -> np.ndarray:
        """(n, k) light of some stars inside circles of (n, k) radii."""
        square = np.minimum(radii**2, self.squares[-1])
        after = np.clip(np.searchsorted(self.squares, square), 1, len(self.squares) - 1)
        low, high = self.squares[after - 1], self.squares[after]
        light = self.light[stars]
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
        self, share: _Some, circle: np.ndarray, light: np.ndarray, echo: _Some
    ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Radius r that holds a share q of the light T of circles, its variance, dF/dr there.

        Light F within r is part of that of the circle: delta r = (q dT - dF(r)) / F'(r).
        """
        seen = self.radius_holding(share * light)
        near = self.inside(seen[:, None] * np.array([0.95, 1.05]))
        slope = np.maximum((near[:, 1] - near[:, 0]) / (0.1 * seen), 0.2 * np.abs(light) / seen)
        slope, q = np.maximum(slope, 1e-12), echo * share
        areas = np.pi * circle**2, np.pi * seen**2
        all_of_it, within = self.variance(areas[0], light), self.variance(areas[1], share * light)
        variance = q**2 * all_of_it + within - 2 * q * np.minimum(all_of_it, within)
        variance += ((q * areas[0] - areas[1]) * self.sky_sigma) ** 2
        return seen, variance / slope**2, slope

    def learn(self, half: np.ndarray, before: Law, teach: np.ndarray) -> Law:
        """Learn the law from the stacked growth of the brightest stars fit to teach."""
        total, area, sky = self.circles(half, before).total, 4 * np.pi * half**2, self.sky_sigma
        error = np.sqrt(self.variance(area, 0.0) + (sky * area) ** 2) / np.maximum(total, 1e-9)
        fit = teach & (total > 0) & (error < 0.5) & (half > 0.3)
        best = np.argsort(np.where(fit, error, np.inf), kind="stable")[:_TEACHERS]
        best = best[fit[best]]
        if not len(best):
            return before
        half, total, error, sky = half[best], total[best], error[best], sky[best]
        scale = float(np.median(half))
        ring = [float(np.median(r[best])) / scale for r in (self.inner, self.outer)]
        radii = _STACK[max(min(ring[0], self.reach / scale), 1.2) >= _STACK]
        curves = self.inside(half[:, None] * radii, best) / total[:, None]
        weight = 1 / (error**2 + _TEACHER_WEIGHT**2)
        weight /= weight.sum()
        stack = weight @ curves
        if not stack[-1] > 0:
            return before
        area = np.pi * np.diff(radii**2, prepend=0.0) * half[:, None] ** 2
        light = np.maximum(np.diff(stack, prepend=0.0), 0) * total[:, None]
        noise = self.noise**2 * area + self.per_light * light
        sigma = np.sqrt(weight**2 @ (noise / total[:, None] ** 2))
        if len(best) >= _ENOUGH:
            stack, scatter = _typical_growth(curves, weight)
            sigma = np.maximum(sigma, scatter)
        return learn_law(
            radii, stack, sigma,
            ring=(ring[0], max(ring[1], ring[0] + 0.1)),
            sky_sigma=float(np.sqrt(weight**2 @ (sky * np.pi * half**2 / total) ** 2)),
            blur=min(self.pixel / scale**2, 0.25),
        )  # fmt: skip

    def circles(self, half: np.ndarray, law: Law) -> _Circles:
        """For each star the circle that makes the uncertainty of its light least."""
        inner, outer = ((r / half)[:, None] for r in (self.inner, self.outer))
        tried = np.sqrt(self.squares[self.tried])
        k, light, area = tried / half[:, None], self.light[:, self.tried], np.pi * tried**2
        share = np.maximum(law.seen(k, inner, outer), 0.2)
        beyond = _LEAST_LAW_ERROR * (1 - law.inside(k))
        doubt = np.maximum(np.interp(k, RADII, law.sigma), beyond) / share
        echo = 1 / (1 - np.minimum(0.5 * law.slope(k) / law.slope(1.0), 0.7))
        noise2 = self.variance(area, light) + (self.sky_sigma[:, None] * area) ** 2
        error = np.hypot(echo * np.sqrt(noise2), doubt * light) / share
        near = (k <= inner) | (tried == tried[0])
        best = np.argmin(np.where(near, error, np.inf), axis=1)
        told = (light, share, echo, doubt, error)
        return _Circles(tried[best], *(v[np.arange(len(half)), best] for v in told))

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

        def as_it_fell(
            name: str, seen: np.ndarray, variance: np.ndarray, blur: np.ndarray
        ) -> np.ndarray:
            """Take the blur off a radius; by how much an error of it grows."""
            found[name] = np.sqrt(np.maximum(seen**2 - blur, 0.1 * seen**2))
            widen = seen / found[name]
            found[f"{name}_sigma"] = widen * np.sqrt(variance + (place * seen) ** 2)
            return np.asarray(widen)

        for k, (name, share) in enumerate(SHARES.items()):
            seen, variance, slope = self.held(
                share / best.share, best.radius, best.light, best.echo
            )
            common = np.hypot(share * best.doubt * total / slope, _LEAST_COMMON * seen)
            common = np.hypot(common, law.kappa_sigma[k] * self.pixel / (2 * seen))
            blur = law.kappa[k] * (self.pixel + shake)
            in_common.append(common * as_it_fell(name, seen, variance + common**2, blur))
        # Bright stars show more of a wide halo.
        typical = weighted_median(half, np.sqrt(total))
        circle = np.full(len(half), min(_CIRCLE * typical, self.reach + 0.5))
        light = np.maximum(self.inside(circle[:, None])[:, 0], 1e-12)
        seen, variance, _ = self.held(0.5, circle, light, 1.0)
        as_it_fell("bounded", seen, variance, law.kappa[1] * shake)
        pixel = np.full_like(circle, self.pixel)
        found["bounds"] = np.stack([circle, self.inner, self.outer, pixel], axis=1)
        return found, np.stack(in_common, axis=1)


def cut_out(source: Source, sky: np.ndarray, chosen: np.ndarray, guess_px: float) -> Group:
    """Cut stars of about one size from the image at the binning that suits them.

    ``sky`` are the map's planes under the first peaks.
    """
    found, peaks, level = source.found, source.peaks, 0
    while guess_px / 2**level > _LARGE_PX and min(found.levels[level].shape) >= 8:
        level += 1
    f, image = 2**level, found.levels[level]
    size = max(guess_px / f, 0.5)
    there = Peaks((peaks.x + 0.5) / f - 0.5, (peaks.y + 0.5) / f - 0.5, peaks.width / f, peaks.snr)
    # The wings of small stars are worth the pixels; rings have sharp rims.
    wings = 4.5 + 1.5 * float(np.clip((4.0 - size) / 1.5, 0, 1))
    inner_px, outer_px = wings * size + 1, (wings + 2) * size + 2.5
    planes = sky[chosen] * (1, f, f)
    patches = read_patches(image, planes, there, chosen, half=int(np.ceil(outer_px)) + 1)
    if not source.placed:
        patches = patches.centred(size)
    if size < _SMALL_PX:
        patches = patches.refined()
    noise = max(found.sky.noise, 1e-6) / f
    ring, count, inner, outer = sky_rings(patches, inner_px, outer_px, noise)
    limit = _NEAR_RING * min(float(np.median(inner)), patches.half - 1.0)
    radii, light = patches.growth(max(limit, 1.5 * size))
    # Pixels smear the light that they collect, and once more as it is counted as spread.
    smear = (source.pixel_px2 + (f**2 - 1) / 12) / f**2
    counted = (1 if patches.fine is None else FINER**-2) / 12
    return Group(
        factor=f, image=image, peaks=there, chosen=chosen, guess_px=size, sky=sky[chosen, 0],
        patches=patches, level=ring, count=count, inner=inner, outer=outer,
        light=light - np.pi * radii**2 * ring[:, None],
        squares=radii**2,
        tried=np.searchsorted(radii, np.geomspace(_TRIED * size, radii[-1], _CIRCLES)),
        noise=noise,
        wide_noise=noise * float(np.interp(1.3 * guess_px, found.widths, found.roughness)),
        per_light=0.0 if not source.gain else 1 / (source.gain * f**2),
        pixel=smear + counted,
    )  # fmt: skip


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
