"""One image measured alone: stars found, each with its radii, and the radius of the image."""

from dataclasses import replace
from typing import TYPE_CHECKING

import astropy.units as u
import numpy as np
from scipy.spatial import cKDTree

from .combine import LEAST_SCATTER, combine
from .detect import Peaks, detect, typical_width
from .doubles import find_doubles, parted
from .measured import Grid, ImageRadius, Known, MeasuredImage, StarFlag, Stars
from .scale import HALF_WIDTHS, Source, measure_peaks, no_stars
from .sky import Sky, full_of_holes, gain_from_sky, usable_pixels

if TYPE_CHECKING:  # takes long to load, and few runs need it
    from astropy.table import QTable, Table

#: So many stars are always measured, of more those that hold this share of what all tell.
_ALWAYS, _TOLD = 80, 0.9
#: Among so many good stars two in one are set aside; among fewer they are parted and measured.
_PLENTY = 10
#: Narrower images hold no star with its sky, pixels.
_LEAST_SIDE = 8
_NEAR_CEILING = 0.98
#: So many pixels at exactly the highest value are no chance.
_CEILING_PIXELS = 4
#: A star gives the same light in two images to this factor, but for what dims all of them.
_SAME_SHARE = 1.25
#: The light of a star changes by less than this factor from frame to frame of a sweep.
SAME_LIGHT = 2.0
_NO_SHARE = StarFlag.SATURATED | StarFlag.MASKED | StarFlag.UNMEASURED
#: Columns of a table of stars.
_UNITS = {
    "x": u.pix, "y": u.pix, "radius": u.pix, "radius_sigma": u.pix, "mean_radius": u.pix,
    "flux": u.adu, "flux_sigma": u.adu, "background": u.adu, "elongation": None, "flags": None,
    "radius30": u.pix, "radius30_sigma": u.pix, "radius80": u.pix, "radius80_sigma": u.pix,
    "angle_deg": None, "snr": None,
}  # fmt: skip


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
    peaks, n = found.peaks, _how_many(found.peaks.snr, max_stars)
    if known is not None and places is not None:
        width = known.radius_px / HALF_WIDTHS / grid.pitch
        peaks = _with_places(peaks, (places - grid.origin) / grid.pitch, width)
        n = len(places)
    source = Source(
        found, peaks,
        gain=gain_e_per_adu or gain_from_sky(found.sky),
        ceiling=_ceiling_of(usable) if saturation_adu is None else saturation_adu,
        pixel_px2=grid.pixel_px2,
        placed=known is not None,
    )  # fmt: skip
    stars, common = measure_peaks(source, n)
    doubles = find_doubles(found, peaks, stars) if known is None else {}
    stars.flags[list(doubles)] |= int(StarFlag.BLENDED)
    if doubles and np.count_nonzero(stars.flags == 0) < _PLENTY:
        source = replace(source, peaks=parted(peaks, stars, doubles))
        stars, common = measure_peaks(source, n + len(doubles))
    stars, common = stars.on_finer(grid.pitch, grid.origin), common * grid.pitch
    if known is not None and known.light_adu.size:
        stars.flags[_other_light(stars, known.light_adu)] |= int(StarFlag.SHAPE)
    radius = combine(stars, common, found.sky, len(found.peaks) + len(doubles))
    if places is None:
        stars = stars.part(np.argsort(-np.nan_to_num(stars.flux, nan=-1.0), kind="stable"))
    return MeasuredImage(stars=stars, radius=radius, sky=found.sky)


def half_flux_radius(
    image: np.ndarray,
    positions: "np.ndarray | Table",
    *,
    guess_px: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
) -> Stars:
    """Measure the half-flux radius of the stars at given places.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    positions : (n, 2) array or Table
        ``(x, y)`` in pixels, or a table with columns ``x`` and ``y`` (or ``xcentroid``,
        ``x_centroid`` and so on, as finders of other packages call them).
    guess_px : float, optional
        About how large the stars are; found from the image where not given.
    gain_e_per_adu, saturation_adu : float, optional
        Camera gain and ceiling; both are judged from the data where not given.

    Returns
    -------
    Stars
        One entry a place, in the same order; what is wrong with it in ``flags``.

    Raises
    ------
    ValueError
        If ``image`` is not 2-D, or ``positions`` neither (n, 2) nor a table that has them.

    References
    ----------
    .. [1] E. Bertin and S. Arnouts, Astron. Astrophys. Suppl. 117 (1996) 393: radii that hold a
       share of the light, from growth with the aperture.

    Examples
    --------
    A Gaussian holds half of its light inside 1.1774 sigma:

    >>> y, x = np.mgrid[:64, :64]
    >>> star = 3e4 * np.exp(-((x - 30) ** 2 + (y - 33) ** 2) / (2 * 3.0**2))
    >>> noise = np.random.default_rng(1).normal(500, 10, (64, 64))
    >>> half_flux_radius(star + noise, [(30, 33)]).radius.round(1)
    array([3.5])
    """
    if hasattr(positions, "colnames"):
        positions = np.stack([_place(positions, axis) for axis in "xy"], axis=1)
    return measure_image(
        image,
        known=Known(positions, guess_px or 0.0),
        gain_e_per_adu=gain_e_per_adu,
        saturation_adu=saturation_adu,
    ).stars


def _place(table: "Table", axis: str) -> np.ndarray:
    """One coordinate of the places, in pixels."""
    for name in (axis, f"{axis}centroid", f"{axis}_centroid"):
        if name in table.colnames:
            return np.asarray(u.Quantity(table[name], u.pix).value)
    msg = f"'positions' has no column {axis!r} (nor {axis}centroid): {', '.join(table.colnames)}"
    raise ValueError(msg)


def star_table(stars: Stars) -> "QTable":
    """The measured stars as a table with units."""
    from astropy.table import QTable

    columns = {name: getattr(stars, name) for name in _UNITS}
    return QTable({n: c if _UNITS[n] is None else c * _UNITS[n] for n, c in columns.items()})


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


def _ceiling_of(image: np.ndarray) -> float:
    """Level from which a pixel counts as burnt out, from the image's own highest values.

    Infinite unless several pixels share the highest value and few come just below it, as the
    summit of a star has them.
    """
    tops = np.fmax.reduce(image, axis=1)
    top = float(np.fmax.reduce(tops))
    if not (np.isfinite(top) and top > 0):
        return np.inf
    rows = image[tops > 0.97 * top]
    values = rows[rows > 0.97 * top]
    full = int(np.count_nonzero(values == top))
    # A summit of a smooth star has as many pixels in each equal step of its light.
    return _NEAR_CEILING * top if full >= max(_CEILING_PIXELS, 0.4 * len(values)) else np.inf


def _other_light(stars: Stars, known_adu: np.ndarray) -> np.ndarray:
    """Which stars give other light than they are known to: sky left over, a knot, a neighbour.

    Cloud dims all by one share, that on which most agree, each as far as its noise lets it.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        log, near = np.log(stars.flux / known_adu), np.log(_SAME_SHARE) + 2 / stars.snr
    votes = (log < np.log(SAME_LIGHT)) & (stars.flags & _NO_SHARE == 0)
    agree = np.abs(log[:, None] - log[votes]) < near[:, None]
    weight = np.minimum(stars.snr, 10.0)
    told = np.nan_to_num(weight[votes]) @ agree[votes]
    return ~agree[:, np.argmax(told)] if votes.any() else np.ones(len(log), bool)


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
