"""One frame measured on its own: stars found, each with its radius, in a table."""

import astropy.units as u
import numpy as np
from astropy.table import QTable

from .background import Sky, bin_mean, estimate_sky, pixel_noise
from .detect import Found, find_places
from .flags import StarFlag
from .radius import Radii, half_flux_radius

_BIN = 2
#: Half-flux radius of a star over the width of the box in which it stands out most.
_RADIUS_PER_SCALE = 0.4
#: A star below this signal-to-noise ratio tells nothing of its radius.
FAINT_SNR = 8.0


def find_stars(
    image: np.ndarray, *, threshold: float = 5.0, scale_px: float | None = None
) -> QTable:
    """Find the stars of a frame, of whatever size, each once.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    threshold : float
        Lowest signal-to-noise ratio in a box about as wide as a star.
    scale_px : float, optional
        That width, where it is known; else found from the frame.

    Returns
    -------
    QTable
        Columns ``x``, ``y`` (pix) and ``snr``, brightest first; no rows if nothing was found.
        ``meta["scale_px"]`` is the width.
    """
    _, found = survey(np.asarray(image), threshold=threshold, scale_px=scale_px)
    table = QTable({"x": found.x * u.pix, "y": found.y * u.pix, "snr": found.peak})
    table.meta["scale_px"] = found.scale_px
    return table


def measure_frame(
    image: np.ndarray,
    *,
    threshold: float = 5.0,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    max_stars: int | None = None,
) -> QTable:
    """Find and measure the stars of one frame.

    Parameters
    ----------
    image : (ny, nx) array
        Pixel values in ADU; NaN where unusable.
    threshold : float
        Lowest signal-to-noise ratio in a box about as wide as a star.
    gain_e_per_adu, saturation_adu : float, optional
        Camera gain and ceiling; the ceiling is found from the data where not given.
    max_stars : int, optional
        Measure only this many of the brightest.

    Returns
    -------
    QTable
        One row a star, brightest first: ``x``, ``y``, ``radius``, ``radius_sigma``,
        ``mean_radius`` (pix), ``flux``, ``flux_sigma``, ``background`` (adu), ``elongation``,
        ``flags``. Zero rows and the same columns where nothing was found.
    """
    image = np.asarray(image)
    sky, found = survey(image, threshold=threshold)
    radii = measure_places(
        image, found, sky, gain=gain_e_per_adu, ceiling=saturation_adu, max_stars=max_stars
    )
    table = star_table(radii)
    table.meta["background_adu"] = sky.level
    table.meta["background_rms_adu"] = sky.noise
    table.meta["n_found"] = len(found.x)
    return table


def survey(
    image: np.ndarray, *, threshold: float = 5.0, scale_px: float | None = None
) -> tuple[Sky, Found]:
    """Sky of a frame and the places where something star-sized stands out."""
    if image.ndim != 2:
        msg = f"'image' must be 2-D, got shape {image.shape}"
        raise ValueError(msg)
    binned = bin_mean(image, _BIN)
    noise = pixel_noise(image)
    coarse, factor = binned, _BIN
    while factor < 8 and min(coarse.shape) > 400:
        coarse, factor = bin_mean(coarse), factor * 2
    sky = estimate_sky(coarse, factor, noise)
    return sky, find_places(binned, _BIN, sky, threshold=threshold, scale_px=scale_px)


def measure_places(
    image: np.ndarray,
    found: Found,
    sky: Sky,
    *,
    gain: float | None,
    ceiling: float | None,
    max_stars: int | None,
) -> Radii:
    """Measure what was found and flag what is not to be trusted."""
    x, y = found.x[:max_stars], found.y[:max_stars]
    guess = max(0.9, _RADIUS_PER_SCALE * found.scale_px)
    if ceiling is None:
        ceiling = data_ceiling(image)
    if len(x):
        bright = half_flux_radius(
            image, np.stack([x, y], 1)[:30], guess_px=guess, saturation_adu=ceiling
        )
        usable = (bright.flags == 0) & np.isfinite(bright.radius)
        if usable.any():
            guess = float(np.median(bright.radius[usable]))
    radii = half_flux_radius(
        image,
        np.stack([x, y], 1),
        guess_px=guess,
        noise_adu=sky.noise,
        gain_e_per_adu=gain,
        saturation_adu=ceiling,
    )
    return _flag_frame(radii, found)


def data_ceiling(image: np.ndarray) -> float:
    """Level from which a pixel counts as saturated, from the data's own ceiling.

    The largest value, less one part in 200, where at least ten pixels share that ceiling; else
    infinite: nothing is saturated.
    """
    top = float(np.nanmax(image)) if image.size else np.inf
    return top * 0.995 if np.count_nonzero(image >= top) >= 10 else np.inf


def _flag_frame(radii: Radii, found: Found) -> Radii:
    """Blends, faint stars, and what is not shaped like the other stars of the frame."""
    flags = radii.flags
    with np.errstate(divide="ignore", invalid="ignore"):
        flags[~(radii.flux / radii.flux_sigma >= FAINT_SNR)] |= StarFlag.FAINT
    usable = (flags == 0) & np.isfinite(radii.radius)
    if usable.any():
        typical = float(np.median(radii.radius[usable]))
        spread = 1.4826 * float(np.median(np.abs(radii.radius[usable] - typical)))
        allowed = np.maximum(5 * np.hypot(spread, np.nan_to_num(radii.sigma)), 0.2 * typical)
        flags[np.abs(radii.radius - typical) > allowed] |= StarFlag.SHAPE
        flags[_crowded(radii, found, 4.0 * typical)] |= StarFlag.BLENDED
    return radii


def _crowded(radii: Radii, found: Found, reach: float) -> np.ndarray:
    """True where a neighbour that matters lies within reach."""
    from scipy.spatial import cKDTree

    n = len(radii.x)
    places = np.stack([found.x, found.y], 1)
    crowded = np.zeros(n, bool)
    for i, j in cKDTree(places).query_pairs(reach):
        for star, other in ((i, j), (j, i)):
            if star < n and found.peak[other] > 0.02 * found.peak[star]:
                crowded[star] = True
    return crowded


def star_table(radii: Radii) -> QTable:
    """The measured stars as a table with units."""
    return QTable(
        {
            "x": radii.x * u.pix,
            "y": radii.y * u.pix,
            "radius": radii.radius * u.pix,
            "radius_sigma": radii.sigma * u.pix,
            "mean_radius": radii.mean_radius * u.pix,
            "flux": radii.flux * u.adu,
            "flux_sigma": radii.flux_sigma * u.adu,
            "background": radii.background * u.adu,
            "elongation": radii.elongation,
            "flags": radii.flags.astype(int),
        }
    )
