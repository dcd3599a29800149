"""One image measured alone: stars found, each with its radii, and the radius of the image."""

from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from .combine import LEAST_SCATTER, combine
from .detect import Detected, Peaks, detect, typical_width
from .doubles import find_doubles, parted
from .flags import StarFlag
from .judge import ceiling_of
from .measured import ImageRadius, MeasuredImage, Stars
from .scale import Scale
from .sky import Sky, full_of_holes, gain_from_sky, usable_pixels

#: Half-flux radius over the width of the Gaussian that fits best.
_HALF_WIDTHS = 1.15
#: A star so much smaller or larger than the others has patches of its own.
_SAME_SIZE = 2.5
#: So many bright stars settle in so many looks how large all are.
_SCOUTS, _LOOKS = 20, 3
#: So many stars are always measured, of more those that hold this share of what all tell.
_ALWAYS, _TOLD = 120, 0.95
#: Among so many good stars two in one are set aside; among fewer they are parted and measured.
_PLENTY = 10
#: Narrower images hold no star with its sky, pixels.
_LEAST_SIDE = 8


def measure_image(
    image: np.ndarray,
    *,
    places: np.ndarray | None = None,
    expected_radius_px: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    threshold: float = 6.0,
    max_stars: int | None = 250,
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
        About how large stars are, as other images suggest. It decides between a speck and a ring
        where both are seen at one place.
    gain_e_per_adu, saturation_adu : float, optional
        Camera gain and ceiling; both are judged from the data where not given.
    threshold : float
        Lowest signal-to-noise ratio of a star.
    max_stars : int, optional
        Measure at most this many of the brightest, and of many no more than hold 95 % of what
        these tell of the radius; None for all.

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
    reason = _hopeless(usable)
    if reason:
        empty = Sky(np.full((1, 1), np.nan), np.zeros(2), np.ones(2), np.nan)
        stars = no_stars(0 if places is None else len(places))
        return MeasuredImage(stars=stars, radius=ImageRadius(reason=reason), sky=empty)
    width = None if expected_radius_px is None else expected_radius_px / _HALF_WIDTHS
    found = detect(usable, threshold=threshold, expected_width_px=width)
    peaks, chosen = found.peaks, np.arange(_how_many(found.peaks.snr, max_stars))
    if places is not None:
        peaks = _with_places(peaks, places, width)
        chosen = np.arange(len(places))
    ceiling = ceiling_of(usable) if saturation_adu is None else saturation_adu
    gain = gain_e_per_adu or gain_from_sky(found.sky)
    measure = partial(measure_peaks, found, gain=gain, ceiling=ceiling, recentre_all=places is None)
    stars, common = measure(peaks, chosen)
    doubles = find_doubles(found, peaks, stars) if places is None else {}
    stars.flags[list(doubles)] |= int(StarFlag.BLENDED)
    if doubles and np.count_nonzero(stars.flags == 0) < _PLENTY:
        stars, common = measure(
            parted(peaks, stars, doubles), np.arange(len(chosen) + len(doubles))
        )
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
    if not np.isfinite(image).any():
        return "no_pixels"
    return "too_many_holes" if full_of_holes(image) else None


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
    main = _HALF_WIDTHS * typical_width(peaks.part(chosen))
    group = np.where(
        np.abs(np.log(half / main)) < np.log(_SAME_SIZE), 0, np.rint(np.log2(half / main))
    )
    stars, common = no_stars(n), np.full((n, 3), np.nan)
    columns = {f: getattr(stars, f) for f in Stars.__slots__}
    for size in np.unique(group):
        these = np.flatnonzero(group == size)
        guess = _HALF_WIDTHS * typical_width(peaks.part(chosen[these]))
        for _ in range(_LOOKS):
            scale = Scale(found, peaks, guess, gain)
            size = scale.size(chosen[these][:_SCOUTS], recentre_all)
            settled = 0.8 < size / guess < 1.25
            guess = float(np.clip(size, guess / 3, guess * 3))
            if settled:
                break
        scale = Scale(found, peaks, guess, gain)
        part, part_common = scale.measure(chosen[these], recentre_all, ceiling)
        common[these] = part_common
        for name, column in columns.items():
            column[these] = getattr(part, name)
    return stars, common


def no_stars(n: int) -> Stars:
    """Return ``n`` stars that could not be measured."""
    nothing = {f: np.full(n, np.nan) for f in Stars.__slots__ if f != "flags"}
    nothing["bounds"] = np.full((n, 4), np.nan)
    return Stars(**nothing, flags=np.full(n, int(StarFlag.UNMEASURED)))


def _with_places(peaks: Peaks, places: np.ndarray, width: float | None) -> Peaks:
    """The given places as peaks, before all found ones that are none of them."""
    if width is None:
        width = typical_width(peaks) if len(peaks) else 2.0
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
    if not np.isfinite(places).all():
        msg = "'places' must be finite, got NaN or infinite coordinates"
        raise ValueError(msg)
    return image, places
