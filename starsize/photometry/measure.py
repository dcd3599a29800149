"""One image measured alone: stars found, each with its radii, and the radius of the image."""

from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from .combine import LEAST_SCATTER, combine
from .detect import Peaks, detect, typical_width
from .doubles import find_doubles, parted
from .flags import StarFlag
from .judge import ceiling_of, other_light
from .measured import Grid, ImageRadius, Known, MeasuredImage
from .scale import HALF_WIDTHS, Sensor, measure_peaks, no_stars
from .sky import Sky, full_of_holes, gain_from_sky, usable_pixels

#: So many stars are always measured, of more those that hold this share of what all tell.
_ALWAYS, _TOLD = 80, 0.9
#: Among so many good stars two in one are set aside; among fewer they are parted and measured.
_PLENTY = 10
#: Narrower images hold no star with its sky, pixels.
_LEAST_SIDE = 8


def measure_image(
    image: np.ndarray,
    *,
    known: Known | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    threshold: float = 6.0,
    max_stars: int | None = 250,
    grid: Grid = Grid(),  # noqa: B008 -- frozen, so it can be shared
) -> MeasuredImage:
    """Find and measure the stars of one image and the radius that stands for it.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    known : Known, optional
        Stars known from other images: these are measured, whether or not anything stands out where
        they are, and nothing else.
    gain_e_per_adu, saturation_adu : float, optional
        Camera gain (of the mean of a square's two green pixels, twice the camera's) and ceiling;
        both are judged from the data where not given.
    threshold : float
        Lowest signal-to-noise ratio of a star.
    max_stars : int, optional
        Measure at most this many of the brightest, and of many no more than hold 90 % of what
        these tell of the radius; None for all.
    grid : Grid
        Which of the pixels to measure, those of one colour; places and radii are in pixels of the
        whole image all the same.

    Returns
    -------
    MeasuredImage

    Raises
    ------
    ValueError
        If ``image`` is not 2-D or the places of ``known`` not (n, 2).

    Notes
    -----
    Accuracy: scripts/results/star_accuracy.md; smaller twins in tests/photometry/.
    """
    image = np.asarray(image)
    if image.ndim != 2:
        msg = f"'image' must be 2-D, got shape {image.shape}"
        raise ValueError(msg)
    places = None if known is None else _checked(known.places)
    usable = usable_pixels(grid.pick(image))
    reason = _hopeless(usable)
    if reason:
        empty = Sky(np.full((1, 1), np.nan), np.zeros(2), np.ones(2), np.nan)
        stars = no_stars(0 if places is None else len(places))
        return MeasuredImage(stars=stars, radius=ImageRadius(reason=reason), sky=empty)
    found = detect(usable, threshold=threshold, most=max_stars)
    peaks, chosen = found.peaks, np.arange(_how_many(found.peaks.snr, max_stars))
    if known is not None and places is not None:
        width = known.radius_px / HALF_WIDTHS / grid.pitch
        peaks = _with_places(peaks, (places - grid.origin) / grid.pitch, width)
        chosen = np.arange(len(places))
    ceiling = ceiling_of(usable) if saturation_adu is None else saturation_adu
    sensor = Sensor(gain_e_per_adu or gain_from_sky(found.sky), ceiling, grid.pixel_px2)
    measure = partial(measure_peaks, found, sensor=sensor, recentre=places is None)
    stars, common = measure(peaks=peaks, chosen=chosen)
    doubles = find_doubles(found, peaks, stars) if places is None else {}
    stars.flags[list(doubles)] |= int(StarFlag.BLENDED)
    if doubles and np.count_nonzero(stars.flags == 0) < _PLENTY:
        peaks = parted(peaks, stars, doubles)
        stars, common = measure(peaks=peaks, chosen=np.arange(len(chosen) + len(doubles)))
    stars, common = stars.on_finer(grid.pitch, grid.origin), common * grid.pitch
    if known is not None and known.light_adu.size:
        stars.flags[other_light(stars, known.light_adu)] |= int(StarFlag.SHAPE)
    radius = combine(stars, common, found.sky, len(found.peaks) + len(doubles))
    if places is None:
        stars = stars.part(np.argsort(-np.nan_to_num(stars.flux, nan=-1.0), kind="stable"))
    return MeasuredImage(stars=stars, radius=radius, sky=found.sky)


def _how_many(snr: np.ndarray, most: int | None) -> int:
    """How many stars, strongest first, hold nearly all that the strongest ``most`` tell."""
    if most is None or len(snr[:most]) <= _ALWAYS:
        return len(snr[:most])
    known = np.cumsum(1 / (snr[:most] ** -2 + LEAST_SCATTER**2))
    return max(_ALWAYS, int(np.searchsorted(known, _TOLD * known[-1])) + 1)


def _hopeless(image: np.ndarray) -> str | None:
    """Why nothing can be measured in such an image, if so."""
    if min(image.shape) < _LEAST_SIDE:
        return "too_small"
    if image.dtype.kind == "f" and not np.isfinite(image).any():
        return "no_pixels"
    return "too_many_holes" if full_of_holes(image) else None


def _with_places(peaks: Peaks, places: np.ndarray, width: float) -> Peaks:
    """The given places as peaks, before all found ones that are none of them."""
    width = width or (typical_width(peaks) if len(peaks) else 2.0)
    snr = np.full(len(places), 10.0)
    if len(peaks) and len(places):
        gap, which = map(np.asarray, cKDTree(places).query(np.stack([peaks.x, peaks.y], 1)))
        # Of a ring in the noise several lumps stand out.
        same = gap < 1.5 * np.maximum(width, peaks.width)
        snr[which[same][::-1]] = peaks.snr[same][::-1]
        peaks = peaks.part(~same)
    known = (*places.T, np.full(len(places), width), snr)
    others = (peaks.x, peaks.y, peaks.width, peaks.snr)
    return Peaks(*(np.r_[a, b] for a, b in zip(known, others, strict=True)))


def _checked(places: np.ndarray) -> np.ndarray:
    """The places as an array of the right shape, or a ValueError."""
    places = np.asarray(places, float)
    places = places if places.size else places.reshape(0, 2)
    if places.ndim != 2 or places.shape[1] != 2:
        msg = f"'places' must have shape (n, 2), got {places.shape}"
        raise ValueError(msg)
    if not np.isfinite(places).all():
        msg = "'places' must be finite, got NaN or infinite coordinates"
        raise ValueError(msg)
    return places
