"""One image measured alone: stars found, each with its radii, and the radius of the image."""

import numpy as np
from scipy.spatial import cKDTree

from .aperture import Apertures, Noise, measure_apertures
from .combine import FAINT_SNR, combine
from .detect import Detected, Peaks, detect
from .flags import StarFlag
from .judge import FOREIGN, burnt_out, ceiling_of, foreign_share, odd_sizes, pixel_flags
from .law import Law
from .measured import ImageRadius, MeasuredImage, Stars
from .patches import Patches, centred, read_patches, sky_rings
from .sky import Sky, usable_pixels

#: Half-flux radius over the width of the Gaussian that fits best.
_HALF_WIDTHS = 1.15
#: Stars larger than this (half-flux radius, pixels) are measured on the binned image.
_LARGE_PX = 7.0
#: Stars smaller than this feel where the pixels lie.
_SMALL_PX = 1.8
#: A star so much smaller or larger than the others has patches of its own.
_SAME_SIZE = 2.5
_SCOUTS = 30
#: Narrower images hold no star with its sky, pixels.
_LEAST_SIDE = 8
_PLAUSIBLE_GAIN = (0.02, 50.0)


def measure_image(
    image: np.ndarray,
    *,
    places: np.ndarray | None = None,
    expected_radius_px: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    threshold: float = 6.0,
    max_stars: int | None = 500,
) -> MeasuredImage:
    """Find and measure the stars of one image and the radius that stands for it.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    places : (n, 2) array, optional
        Centres ``(x, y)`` in pixels known from other images: these are measured, whether or not
        anything stands out there, and nothing else.
    expected_radius_px : float, optional
        Half-flux radius that other images suggest. It decides between a speck and a ring where
        both are seen at one place; it never leaves out an image.
    gain_e_per_adu, saturation_adu : float, optional
        Camera gain and ceiling; both are judged from the data where not given.
    threshold : float
        Lowest signal-to-noise ratio of a star.
    max_stars : int, optional
        Measure only this many of the brightest; None for all.

    Returns
    -------
    MeasuredImage

    Raises
    ------
    ValueError
        If ``image`` is not 2-D or ``places`` not (n, 2).

    Notes
    -----
    Accuracy: scripts/results/star_accuracy.md; smaller twins in tests/photometry/.
    """
    image, places = checked(image, places)
    usable = usable_pixels(image)
    small = min(usable.shape) < _LEAST_SIDE
    if small or not np.isfinite(usable).any():
        empty = Sky(np.full((1, 1), np.nan), 1.0, np.nan)
        stars = no_stars(0 if places is None else len(places))
        reason = "too_small" if small else "no_pixels"
        return MeasuredImage(stars=stars, radius=ImageRadius(reason=reason), sky=empty)
    width = None if expected_radius_px is None else expected_radius_px / _HALF_WIDTHS
    found = detect(usable, threshold=threshold, expected_width_px=width)
    peaks, chosen = found.peaks, np.arange(len(found.peaks))[:max_stars]
    if places is not None:
        peaks = _with_places(peaks, places, width)
        chosen = np.arange(len(places))
    ceiling = ceiling_of(usable) if saturation_adu is None else saturation_adu
    gain = gain_e_per_adu or gain_from_sky(found.sky)
    stars, common = measure_peaks(
        found, peaks, chosen, gain=gain, ceiling=ceiling, recentre_all=places is None
    )
    radius = combine(stars, common, found.sky, len(found.peaks))
    if places is None:
        stars = stars.part(np.argsort(-np.nan_to_num(stars.flux, nan=-1.0), kind="stable"))
    return MeasuredImage(stars=stars, radius=radius, sky=found.sky)


def measure_peaks(
    found: Detected,
    peaks: Peaks,
    chosen: np.ndarray,
    *,
    gain: float | None,
    ceiling: float,
    recentre_all: bool,
) -> tuple[Stars, np.ndarray]:
    """Measure the chosen peaks, stars of one size together; also their common errors (n, 3)."""
    n = len(chosen)
    if n == 0:
        return no_stars(0), np.zeros((0, 3))
    half = _HALF_WIDTHS * peaks.width[chosen]
    main = _typical(half, peaks.snr[chosen])
    group = np.where(
        np.abs(np.log(half / main)) < np.log(_SAME_SIZE), 0, np.rint(np.log2(half / main))
    )
    stars, common = no_stars(n), np.full((n, 3), np.nan)
    columns = {f: getattr(stars, f) for f in Stars.__slots__}
    for size in np.unique(group):
        these = np.flatnonzero(group == size)
        guess = _typical(half[these], peaks.snr[chosen][these])
        part, part_common = _measure_alike(
            found, peaks, chosen[these], guess, gain, ceiling, recentre_all
        )
        common[these] = part_common
        for name, column in columns.items():
            column[these] = getattr(part, name)
    flags = columns["flags"]
    # A burnt-out star hardly tells its size, but more than the specks beside it.
    fit = flags & ~int(StarFlag.BLENDED | StarFlag.SATURATED) == 0
    weight = np.where(fit, np.minimum(columns["snr"], 100.0), 0.0)
    weight[flags & StarFlag.SATURATED > 0] *= 0.3
    if n > 2:
        odd = odd_sizes(columns["radius"], columns["radius_sigma"], np.nan_to_num(weight) ** 2)
        flags[odd & (flags & StarFlag.SATURATED == 0)] |= int(StarFlag.SHAPE)
    return stars, common


def _typical(half: np.ndarray, snr: np.ndarray) -> float:
    """Median size, the stars that stand out counting more."""
    order, weight = np.argsort(half), np.clip(snr, 1.0, 100.0)
    share = np.cumsum(weight[order])
    return float(half[order][np.searchsorted(share, 0.5 * share[-1])])


def _measure_alike(
    found: Detected,
    peaks: Peaks,
    chosen: np.ndarray,
    guess_px: float,
    gain: float | None,
    ceiling: float,
    recentre: bool,
) -> tuple[Stars, np.ndarray]:
    """Measure stars of about one size; scouts settle how large that is."""
    scouts = chosen[:_SCOUTS]
    for _ in range(3):
        fitting = _Scale(found, peaks, guess_px, gain)
        patches, measured = fitting.measure(scouts, recentre)
        size = _typical(measured.seen[:, 1] * fitting.factor, peaks.snr[scouts])
        settled = 0.8 < size / guess_px < 1.25
        guess_px = float(np.clip(size, guess_px / 3, guess_px * 3))
        if settled:
            break
    if len(scouts) < len(chosen) or not settled:
        fitting = _Scale(found, peaks, guess_px, gain)
        patches, measured = fitting.measure(chosen, recentre, measured.law)
    return fitting.stars(patches, measured, chosen, ceiling)


class _Scale:
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

    def measure(
        self, chosen: np.ndarray, recentre: bool, law: Law | None = None
    ) -> tuple[Patches, Apertures]:
        """Patches about the chosen peaks and the radii in them."""
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
        rings = sky_rings(patches, inner_px, outer_px, self.noise.pixel)
        # Those teach that lie within the image and have the fewest neighbours.
        clear = patches.trusted.mean(axis=(1, 2))
        whole = clear >= min(0.995, float(np.quantile(clear, 0.7)))
        measured = measure_apertures(patches, rings, size, self.noise, teach=whole, law=law)
        return patches, measured

    def stars(
        self, patches: Patches, got: Apertures, chosen: np.ndarray, ceiling: float
    ) -> tuple[Stars, np.ndarray]:
        """Flags, shapes and units of the image."""
        f, half = self.factor, got.seen[:, 1]
        typical = float(np.median(half))
        flags = pixel_flags(
            patches, half, got.law, shape=self.image.shape, ceiling=ceiling - self.sky[chosen]
        )
        snr = np.maximum(got.total, 0) / got.total_sigma
        flags[~(snr >= FAINT_SNR)] |= int(StarFlag.FAINT)
        light = np.maximum(self.peaks.snr * self.peaks.width, 1e-9)
        scale = np.median(np.maximum(got.total, 0) / light[chosen])
        foreign = foreign_share(
            self.peaks.x, self.peaks.y, light * scale, half_px=typical, law=got.law
        )
        flags[foreign[chosen] > FOREIGN] |= int(StarFlag.BLENDED)
        core, core_sigma = self._cores(patches, got, typical)
        sound = flags & ~int(StarFlag.SATURATED) == 0
        flat = burnt_out(np.where(sound, got.total, 0), core, core_sigma, half)
        flags[flat & sound] |= int(StarFlag.SATURATED)
        bad = ~np.isfinite(got.radius[:, 1]) | (got.total <= 0)
        flags[bad] |= int(StarFlag.UNMEASURED)
        mean_radius, elongation, angle = _moments(patches, 1.6 * half)
        radius, sigma = (np.where(bad[:, None], np.nan, v * f) for v in (got.radius, got.sigma))
        sigma = np.hypot(sigma, 0.7 * np.minimum(foreign[chosen], 1.0)[:, None] * radius * 0.5)
        stars = Stars(
            x=(patches.x + patches.left + 0.5) * f - 0.5,
            y=(patches.y + patches.top + 0.5) * f - 0.5,
            flux=got.total * f**2, flux_sigma=got.total_sigma * f**2,
            radius=radius[:, 1], radius_sigma=sigma[:, 1],
            radius30=radius[:, 0], radius30_sigma=sigma[:, 0],
            radius80=radius[:, 2], radius80_sigma=sigma[:, 2],
            mean_radius=mean_radius * f, background=self.sky[chosen] + got.ring,
            elongation=elongation, angle_deg=angle, snr=snr, flags=flags,
        )  # fmt: skip
        return stars, got.common * f

    def _cores(
        self, patches: Patches, got: Apertures, typical: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Share of each star's light in its very middle, and its noise."""
        radius = max(0.5 * typical, 0.8)
        light = np.maximum(got.total, 1e-9)
        core = patches.sums(np.full((len(light), 1), radius))[:, 0] / light
        noise = self.noise.pixel * np.sqrt(np.pi) * radius / light
        noise = np.sqrt(noise**2 + np.maximum(core, 0) * self.noise.inverse_gain / light)
        return core, np.hypot(noise, core * got.total_sigma / light)


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


def no_stars(n: int) -> Stars:
    """Return ``n`` stars that could not be measured."""
    nothing = {f: np.full(n, np.nan) for f in Stars.__slots__ if f != "flags"}
    return Stars(**nothing, flags=np.full(n, int(StarFlag.UNMEASURED)))


def gain_from_sky(sky: Sky) -> float | None:
    """Camera gain (electrons per ADU) as the sky's own photon noise would have it.

    Right for a frame without pedestal and read-out noise, too high by some factor where there is a
    pedestal: better than no photon noise at all. None where the sky cannot be raw counts.
    """
    if not (sky.level > 0 and sky.noise > 0):
        return None
    gain = sky.level / sky.noise**2
    return gain if _PLAUSIBLE_GAIN[0] < gain < _PLAUSIBLE_GAIN[1] else None


def _with_places(peaks: Peaks, places: np.ndarray, width: float | None) -> Peaks:
    """The given places as peaks, before all found ones that are none of them."""
    if width is None:
        width = _typical(peaks.width, peaks.snr) if len(peaks) else 2.0
    here = np.full(len(places), width)
    snr = np.full(len(places), 10.0)
    if len(peaks) and len(places):
        hits = cKDTree(np.stack([peaks.x, peaks.y], 1)).query(places)
        gap, which = np.asarray(hits[0]), np.asarray(hits[1])
        same = gap < 1.5 * np.maximum(width, peaks.width[which])
        snr[same] = peaks.snr[which[same]]
        others = np.ones(len(peaks), bool)
        others[which[same]] = False
        peaks = peaks.part(others)
    return Peaks(
        np.r_[places[:, 0], peaks.x], np.r_[places[:, 1], peaks.y],
        np.r_[here, peaks.width], np.r_[snr, peaks.snr],
    )  # fmt: skip


def checked(image: np.ndarray, places: np.ndarray | None) -> tuple[np.ndarray, np.ndarray | None]:
    """The image and the places as arrays of the right shape, or a ValueError."""
    image = np.asarray(image)
    if image.ndim != 2:
        msg = f"'image' must be 2-D, got shape {image.shape}"
        raise ValueError(msg)
    if places is None:
        return image, None
    places = np.asarray(places, float)
    if places.size == 0:
        places = places.reshape(0, 2)
    if places.ndim != 2 or places.shape[1] != 2:
        msg = f"'places' must have shape (n, 2), got {places.shape}"
        raise ValueError(msg)
    return image, places
