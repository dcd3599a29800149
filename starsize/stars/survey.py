"""A first look at a frame: its sky, its hot pixels, its stars and about how large they are."""

from dataclasses import dataclass, replace

import numpy as np

from .background import Sky, bin_mean, estimate_sky, pixel_noise
from .centre import window_centres, window_elongation, window_flux
from .cutouts import cut_out
from .defects import HotPixels, find_hot_pixels, mend_binned
from .detect import Places, find_places
from .guess import guess_radius

#: Width of a star's window over the width of the box that found it.
_WINDOW = 0.45
_REACH = 1.3
#: Longest axis ratio of a star whose neighbours are round, and what noise may add to it.
_LONGEST, _LONGEST_NOISE = 1.8, 8.0
_TRAILED = 3.0
#: Half-flux radius of stars over the width of the box that suits them.
_RADIUS_OVER_SCALE = (0.3, 0.65)
#: Boxes up to this width may be filled by a cosmic ray.
_SHARP_SCALE = 6.0
#: Light in a window of 0.9 px over that in one of 1.8 px: a Gaussian star of sigma 0.55 px (with
#: its pixel, half-flux radius 0.75) has 0.80, a lone pixel 1.
_SHARPEST = 0.85


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """The stars of a frame, brightest first.

    Attributes
    ----------
    x, y : (n,) arrays
        Centre, pixels.
    peak : (n,) array
        Signal-to-noise ratio in the box that found it.
    scale_px : float
        Width of that box, pixels.
    radius_px : float
        About the half-flux radius of the stars.
    """

    x: np.ndarray
    y: np.ndarray
    peak: np.ndarray
    scale_px: float
    radius_px: float


def survey(
    image: np.ndarray, *, threshold: float = 5.0, scale_px: float | None = None
) -> tuple[Sky, Found, HotPixels]:
    """Look over a whole frame once.

    Parameters
    ----------
    image : (ny, nx) array
        ADU; NaN where unusable.
    threshold : float
        Lowest signal-to-noise ratio in a box about as wide as a star.
    scale_px : float, optional
        That width, where it is known.
    """
    if image.ndim != 2:
        msg = f"'image' must be 2-D, got shape {image.shape}"
        raise ValueError(msg)
    noise = pixel_noise(image)
    flat = bin_mean(image, 2)
    coarse, factor = flat, 2
    while factor < 8 and min(coarse.shape) > 400:
        coarse, factor = bin_mean(coarse), factor * 2
    sky = estimate_sky(coarse, factor, noise)
    sky = replace(sky, noise=max(noise, _least_noise(image, sky.level)))
    flat -= sky.on_grid(flat.shape, 2)
    if flat.dtype.kind == "f" and image.dtype.kind == "f":
        np.nan_to_num(flat, copy=False)
    hot = find_hot_pixels(image, flat, sky.level, sky.noise)
    mend_binned(flat, image, hot)
    places = find_places(
        flat,
        2,
        sky,
        threshold=threshold,
        scale_px=scale_px,
        star_like=lambda rows: _star_like(image, rows, sky.level),
    )
    return sky, _look_closer(image, flat, sky, places), hot


def _least_noise(image: np.ndarray, level: float) -> float:
    """Rounding: of whole numbers (1 / sqrt 12), or of single precision with a margin."""
    return 0.29 if image.dtype.kind in "ui" else 1e-5 * abs(level)


def _look_closer(image: np.ndarray, flat2: np.ndarray, sky: Sky, places: Places) -> Found:
    """Centre each object and keep those that are shaped like the others."""
    if len(places.x) == 0:
        return Found(places.x, places.y, places.peak, places.scale_px, 0.4 * places.scale_px)
    # A star spans some eight pixels of the level it is looked at: enough to see its shape.
    factor = _closer_factor(places.scale_px, image.shape)
    level = flat2 if factor == 2 else (image if factor == 1 else bin_mean(flat2, factor // 2))
    x, y = ((p + 0.5) / factor - 0.5 for p in (places.x, places.y))
    width = places.scale_px / factor
    window = max(_WINDOW * width, 0.8)
    whole_x, whole_y = np.rint(x).astype(int), np.rint(y).astype(int)
    cut = np.nan_to_num(cut_out(level, whole_x, whole_y, int(np.ceil(_REACH * width)) + 1))
    if factor == 1:
        cut -= sky.at(places.x, places.y).astype(np.float32)[:, None, None]
    dx, dy = window_centres(cut, x - whole_x, y - whole_y, window)
    lost = ~np.isfinite(dx)
    dx, dy = np.where(lost, x - whole_x, dx), np.where(lost, y - whole_y, dy)
    full_x, full_y = ((p + 0.5) * factor - 0.5 for p in (whole_x + dx, whole_y + dy))
    like = _like_the_others(cut, dx, dy, window, places.peak) & ~lost
    places_level = np.stack([whole_x + dx, whole_y + dy], 1)[like][:40]
    radius = guess_radius(level, places_level, room_px=1.5 * width) * factor
    # In a stamp hardly larger than its star there is no room to see where the light ends.
    least, most = (r * places.scale_px for r in _RADIUS_OVER_SCALE)
    radius = float(np.clip(radius, least if places.scale_px > _SHARP_SCALE else 0.6, most))
    return Found(full_x[like], full_y[like], places.peak[like], places.scale_px, radius)


def _closer_factor(scale_px: float, shape: tuple[int, ...]) -> int:
    factor = 1
    while scale_px / factor >= 8 and min(shape) / factor > 100:
        factor *= 2
    return factor


def _star_like(image: np.ndarray, rows: np.ndarray, level: float) -> np.ndarray:
    """False for sharp objects (x, y, box width) that are too sharp or too thin for any star.

    Cosmic rays and leftovers of hot pixels must not settle the scale of a frame out of focus.
    """
    sharp = np.flatnonzero(rows[:, 2] <= _SHARP_SCALE)
    like = np.ones(len(rows), bool)
    if sharp.size:
        x, y = rows[sharp, 0], rows[sharp, 1]
        whole_x, whole_y = np.rint(x).astype(int), np.rint(y).astype(int)
        cut = np.nan_to_num(cut_out(image, whole_x, whole_y, 7) - np.float32(level))
        cut -= np.median(cut, axis=(1, 2), keepdims=True)
        dx, dy = window_centres(cut, x - whole_x, y - whole_y, 1.8)
        dx, dy = np.nan_to_num(dx), np.nan_to_num(dy)
        inner, outer = (window_flux(cut, dx, dy, w) for w in (0.9, 1.8))
        with np.errstate(invalid="ignore"):
            thin = window_elongation(cut, dx, dy, 1.8) > _LONGEST
        like[sharp] = (outer > 0) & (inner < _SHARPEST * outer) & ~thin
    return like


def _like_the_others(
    cut: np.ndarray, dx: np.ndarray, dy: np.ndarray, window: float, peak: np.ndarray
) -> np.ndarray:
    """False for what is sharper than the stars of the frame, or long and thin.

    A hot pixel or a cosmic ray has all its light in the middle of the window; a trail, a spike or
    a bad column runs through it from end to end.
    """
    inner, outer = (window_flux(cut, dx, dy, w) for w in (0.5 * window, window))
    with np.errstate(divide="ignore", invalid="ignore"):
        sharpness = inner / outer
    elongation = window_elongation(cut, dx, dy, window)
    bright = np.arange(len(peak)) < max(10, len(peak) // 2)
    usual = _median(sharpness[bright & np.isfinite(sharpness)], 0.5)
    # Trailed stars are all long alike, up to a point; a satellite's trail must not set the measure.
    usual_ratio = _median(elongation[bright & (elongation < _TRAILED)], 1.0)
    too_sharp = sharpness > usual + 0.5 * (1 - usual)
    too_long = elongation > _LONGEST * usual_ratio + _LONGEST_NOISE / peak
    return (outer > 0) & ~too_sharp & ~too_long


def _median(values: np.ndarray, otherwise: float) -> float:
    return float(np.median(values)) if values.size else otherwise
