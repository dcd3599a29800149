"""Stars of about one size, measured on the image at the binning that suits them."""

from dataclasses import dataclass
from functools import partial

import numpy as np

from .aperture import Growth, Noise, growth_of
from .combine import FAINT_SNR
from .detect import Detected, Peaks, typical_width
from .flags import StarFlag
from .judge import FOREIGN, foreign_share, pixel_flags
from .law import SHARES
from .measured import Stars
from .patches import Patches, centred, read_patches, sky_rings

#: Half-flux radius over the width of the Gaussian that fits best.
HALF_WIDTHS = 1.15
#: A star so much smaller or larger than the others has patches of its own.
_SAME_SIZE = 2.5
#: So many bright stars settle in so many looks how large all are.
_SCOUTS, _LOOKS = 10, 3
#: Stars larger than this (half-flux radius, pixels) are measured on the binned image.
_LARGE_PX = 7.0
#: Stars smaller than this feel where the pixels lie.
_SMALL_PX = 4.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """What is known of the camera."""

    gain: float | None
    ceiling: float
    pixel_px2: float
    """Variance along an axis by which a pixel smears the light."""


def no_stars(n: int) -> Stars:
    """Return ``n`` stars that could not be measured."""
    nothing = {f: np.full(n, np.nan) for f in Stars.__slots__ if f != "flags"}
    nothing["bounds"] = np.full((n, 4), np.nan)
    return Stars(**nothing, flags=np.full(n, int(StarFlag.UNMEASURED)))


def measure_peaks(
    found: Detected, peaks: Peaks, chosen: np.ndarray, sensor: Sensor, *, recentre: bool
) -> tuple[Stars, np.ndarray]:
    """Measure the chosen peaks, stars of one size together; also their common errors (n, 3)."""
    stars, common = no_stars(len(chosen)), np.full((len(chosen), 3), np.nan)
    if len(chosen) == 0:
        return stars, common
    lg_size = np.log(peaks.width[chosen] / typical_width(peaks.part(chosen)))
    group = np.where(np.abs(lg_size) < np.log(_SAME_SIZE), 0, np.rint(lg_size / np.log(2)))
    sky = found.sky.planes(peaks.x, peaks.y)
    cut = partial(_cut, found, peaks, sky, sensor=sensor, recentre=recentre)
    for size in np.unique(group):
        these = np.flatnonzero(group == size)
        guess = HALF_WIDTHS * typical_width(peaks.part(chosen[these]))
        for _ in range(_LOOKS):
            scouts = cut(chosen[these[:_SCOUTS]], guess)
            seen = scouts.factor * np.median(scouts.growth.first_look(scouts.half_px)[0])
            before, guess = guess, float(np.clip(seen, guess / 3, guess * 3))
            if 0.8 < seen / before < 1.25:
                break
        part, common[these] = _measured(cut(chosen[these], guess), sensor.ceiling)
        for name in Stars.__slots__:
            getattr(stars, name)[these] = getattr(part, name)
    return stars, common


@dataclass(frozen=True, slots=True, eq=False)
class _Cut:
    """Stars of about one size, cut from the image binned by a factor; pixels are its."""

    factor: int
    image: np.ndarray
    half_px: float
    peaks: Peaks
    sky: np.ndarray
    chosen: np.ndarray
    patches: Patches
    growth: Growth


def _cut(
    found: Detected,
    peaks: Peaks,
    sky: np.ndarray,
    chosen: np.ndarray,
    guess_px: float,
    sensor: Sensor,
    *,
    recentre: bool,
) -> _Cut:
    level = 0
    while guess_px / 2**level > _LARGE_PX and min(found.levels[level].shape) >= 8:
        level += 1
    f, image = 2**level, found.levels[level]
    size = max(guess_px / f, 0.5)
    there = Peaks((peaks.x + 0.5) / f - 0.5, (peaks.y + 0.5) / f - 0.5, peaks.width / f, peaks.snr)
    # The wings of small stars are worth the pixels; rings have sharp rims.
    inner = 4.5 + 1.5 * float(np.clip((4.0 - size) / 1.5, 0, 1))
    inner_px, outer_px = inner * size + 1, (inner + 2) * size + 2.5
    plane = sky * (1, f, f)
    patches = read_patches(image, plane, there, chosen, half=int(np.ceil(outer_px)) + 1)
    if recentre:
        patches = centred(patches, np.full(len(chosen), size))
    if size < _SMALL_PX:
        patches = patches.refined()
    noise = Noise(
        pixel=max(found.sky.noise, 1e-6) / f,
        rough=float(np.interp(1.3 * guess_px, found.widths, found.roughness)),
        inverse_gain=0.0 if not sensor.gain else 1 / (sensor.gain * f**2),
    )
    rings = sky_rings(patches, inner_px, outer_px, noise.pixel)
    smear = (sensor.pixel_px2 + (f**2 - 1) / 12) / f**2
    growth = growth_of(patches, rings, size, noise, pixel_px2=smear)
    return _Cut(f, image, size, there, sky[:, 0], chosen, patches, growth)


def _measured(cut: _Cut, ceiling: float) -> tuple[Stars, np.ndarray]:
    """Stars of a cut; also their common errors (n, 3)."""
    f, patches, chosen = cut.factor, cut.patches, cut.chosen
    half, law = cut.growth.first_look(cut.half_px)
    # Those teach that lie within the image and have the fewest neighbours.
    clear = patches.trusted.mean(axis=(1, 2))
    teach = clear >= min(0.995, float(np.quantile(clear, 0.7)))
    for _ in range(2):
        law = cut.growth.learn(half, law, teach)
        half = cut.growth.halves(half, law)
    got, common = cut.growth.measure(half, law)
    snr = np.maximum(got["flux"], 0) / got["flux_sigma"]
    light = np.maximum(cut.peaks.snr * cut.peaks.width, 1e-9)
    light *= np.median(np.maximum(got["flux"], 0) / light[chosen])
    typical = float(np.median(half))
    foreign = foreign_share(cut.peaks.x, cut.peaks.y, light, half_px=typical, law=law)[chosen]
    above_sky = ceiling - cut.sky[chosen]
    flags = pixel_flags(patches, half, law, shape=cut.image.shape, ceiling=above_sky)
    bad = ~(got["flux"] > 0)
    flags[~(snr >= FAINT_SNR)] |= int(StarFlag.FAINT)
    flags[foreign > FOREIGN] |= int(StarFlag.BLENDED)
    flags[bad] |= int(StarFlag.UNMEASURED)
    for name in (*SHARES, "bounded"):
        blended = 0.35 * np.minimum(foreign, 1.0) * got[name]
        got[f"{name}_sigma"] = np.hypot(got[f"{name}_sigma"], blended)
        got[name][bad] = np.nan
    # Pixels of a binned image are means.
    got["flux"], got["flux_sigma"] = got["flux"] * f**2, got["flux_sigma"] * f**2
    mean_radius, elongation, angle = _moments(patches, 1.6 * half)
    stars = Stars(
        **got,
        x=patches.x + patches.left,
        y=patches.y + patches.top,
        mean_radius=mean_radius,
        background=cut.sky[chosen] + cut.growth.rings.level,
        elongation=elongation,
        angle_deg=angle,
        snr=snr,
        flags=flags,
    )
    return stars.on_finer(f, np.full(2, (f - 1) / 2)), common * f


def _moments(patches: Patches, reach: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean radius, elongation and direction (degrees) of the light within reach, pixels."""
    light, _, place = patches.middle(float(np.nanmax(reach)) + 1)
    r = np.abs(place)
    light = light * np.clip(reach[:, None, None] - r + 0.5, 0, 1)
    total = np.maximum(light.sum(axis=(1, 2)), 1e-9)
    mean, square, twist = ((light * v).sum(axis=(1, 2)) / total for v in (r, r**2, place**2))
    # The squares of the axes are (square + split) / 2 and (square - split) / 2.
    split = np.abs(twist)
    with np.errstate(invalid="ignore", divide="ignore"):
        longer = np.sqrt((square + split) / np.maximum(square - split, 0.02 * square))
    return mean, longer, np.degrees(0.5 * np.angle(twist))
