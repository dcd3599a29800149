"""Stars of about one size, measured on the image at the binning that suits them."""

import numpy as np

from .aperture import Apertures, Noise, about_how_large, measure_apertures
from .combine import FAINT_SNR
from .detect import Detected, Peaks
from .flags import StarFlag
from .judge import FOREIGN, foreign_share, pixel_flags
from .measured import Stars
from .patches import Patches, Rings, centred, read_patches, sky_rings

#: Stars larger than this (half-flux radius, pixels) are measured on the binned image.
_LARGE_PX = 7.0
#: Stars smaller than this feel where the pixels lie.
_SMALL_PX = 4.0


class Scale:
    """The image at the binning that suits stars of one size."""

    def __init__(self, found: Detected, peaks: Peaks, guess_px: float, gain: float | None) -> None:
        level = 0
        while guess_px / 2**level > _LARGE_PX and min(found.levels[level].shape) >= 8:
            level += 1
        self.factor = factor = 2**level
        self.image = found.levels[level]
        self.half_px = max(guess_px / factor, 0.5)
        self.peaks = Peaks(
            (peaks.x + 0.5) / factor - 0.5, (peaks.y + 0.5) / factor - 0.5,
            peaks.width / factor, peaks.snr,
        )  # fmt: skip
        self.sky = found.sky.at(peaks.x, peaks.y)
        rough = float(np.interp(1.3 * guess_px, found.widths, found.roughness))
        self.noise = Noise(
            max(found.sky.noise, 1e-6) / factor, rough, 0.0 if not gain else 1 / (gain * factor**2)
        )

    def size(self, chosen: np.ndarray, recentre: bool) -> float:
        """About how large the chosen peaks are: their median half-flux radius in image pixels."""
        cut = self._cut(chosen, recentre)
        return about_how_large(*cut, self.half_px, self.noise) * self.factor

    def measure(
        self, chosen: np.ndarray, recentre: bool, ceiling: float
    ) -> tuple[Stars, np.ndarray]:
        """Measure the chosen peaks; also the errors (n, 3) that they share."""
        patches, rings = self._cut(chosen, recentre)
        # Those teach that lie within the image and have the fewest neighbours.
        clear = patches.trusted.mean(axis=(1, 2))
        whole = clear >= min(0.995, float(np.quantile(clear, 0.7)))
        got = measure_apertures(patches, rings, self.half_px, self.noise, teach=whole)
        return self._stars(patches, rings, got, chosen, ceiling), got.common * self.factor

    def _cut(self, chosen: np.ndarray, recentre: bool) -> tuple[Patches, Rings]:
        """Patches about the chosen peaks and the sky around these."""
        size = self.half_px
        # The wings of small stars are worth the pixels; rings have sharp rims.
        inner = 4.5 + 1.5 * float(np.clip((4.0 - size) / 1.5, 0, 1))
        inner_px, outer_px = inner * size + 1, (inner + 2) * size + 2.5
        half = int(np.ceil(outer_px)) + 1
        patches = read_patches(self.image, self.sky, self.peaks, chosen, half=half)
        if recentre:
            patches = centred(patches, np.full(len(chosen), size))
        if size < _SMALL_PX:
            patches = patches.refined()
        return patches, sky_rings(patches, inner_px, outer_px, self.noise.pixel)

    def _stars(
        self, patches: Patches, rings: Rings, got: Apertures, chosen: np.ndarray, ceiling: float
    ) -> Stars:
        """Flags, shapes and units of the image."""
        f, half = self.factor, got.seen
        typical = float(np.median(half))
        flags = pixel_flags(
            patches, half, got.law, shape=self.image.shape, ceiling=ceiling - self.sky[chosen]
        )
        snr = np.maximum(got.total, 0) / got.total_sigma
        flags[~(snr >= FAINT_SNR)] |= int(StarFlag.FAINT)
        light = np.maximum(self.peaks.snr * self.peaks.width, 1e-9)
        light *= np.median(np.maximum(got.total, 0) / light[chosen])
        foreign = foreign_share(self.peaks.x, self.peaks.y, light, half_px=typical, law=got.law)
        flags[foreign[chosen] > FOREIGN] |= int(StarFlag.BLENDED)
        bad = ~np.isfinite(got.radius[:, 1]) | (got.total <= 0)
        flags[bad] |= int(StarFlag.UNMEASURED)
        mean_radius, elongation, angle = _moments(patches, 1.6 * half)
        radius, sigma = (np.where(bad[:, None], np.nan, v * f) for v in (got.radius, got.sigma))
        foreign_sigma = 0.35 * np.minimum(foreign[chosen], 1.0) * radius[:, 1]
        sigma = np.hypot(sigma, 0.35 * np.minimum(foreign[chosen], 1.0)[:, None] * radius)
        return Stars(
            x=(patches.x + patches.left + 0.5) * f - 0.5,
            y=(patches.y + patches.top + 0.5) * f - 0.5,
            flux=got.total * f**2, flux_sigma=got.total_sigma * f**2,
            radius=radius[:, 1], radius_sigma=sigma[:, 1],
            radius30=radius[:, 0], radius30_sigma=sigma[:, 0],
            radius80=radius[:, 2], radius80_sigma=sigma[:, 2],
            bounded=np.where(bad, np.nan, got.bounded * f),
            bounded_sigma=np.hypot(got.bounded_sigma * f, foreign_sigma),
            bounds=got.bounds * (f, f, f, f * f),
            mean_radius=mean_radius * f, background=self.sky[chosen] + rings.level,
            elongation=elongation, angle_deg=angle, snr=snr, flags=flags,
        )  # fmt: skip


def _moments(patches: Patches, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean radius, elongation and direction (degrees) of the light within reach, pixels."""
    middle, size = patches.half, patches.pixels.shape[1]
    far = int(min(middle, np.ceil(np.nanmax(reach, initial=1.0)) + 1))
    crop = slice(middle - far, middle + far + 1)
    dx = np.arange(size)[crop] - patches.x[:, None]
    dy = np.arange(size)[crop] - patches.y[:, None]
    r = np.hypot(dy[:, :, None], dx[:, None, :])
    light = patches.pixels[:, crop, crop] * np.clip(reach[:, None, None] - r + 0.5, 0, 1)
    total = np.maximum(light.sum(axis=(1, 2)), 1e-9)
    xx, xy, yy = (
        np.einsum(f"njk,n{a},n{b}->n", light, p, q) / total
        for a, p, b, q in (("k", dx, "k", dx), ("j", dy, "k", dx), ("j", dy, "j", dy))
    )
    mean = (light * r).sum(axis=(1, 2)) / total
    middle2, split = (xx + yy) / 2, np.hypot((xx - yy) / 2, xy)
    with np.errstate(invalid="ignore", divide="ignore"):
        elongation = np.sqrt((middle2 + split) / np.maximum(middle2 - split, 0.02 * middle2))
    return mean, elongation, np.degrees(0.5 * np.arctan2(2 * xy, xx - yy))
