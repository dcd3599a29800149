"""One frame measured on its own: stars found, each with its radius, in a table."""

from dataclasses import replace

import astropy.units as u
import numpy as np
from astropy.table import QTable

from .background import Sky
from .defects import mend
from .flags import StarFlag
from .neighbours import Neighbours
from .radius import Radii, measure_at, no_radii
from .survey import Found, survey

#: Tilt and curvature change the size of stars over a field by up to this much.
_SIZE_TOLERANCE = 0.3
#: So many pixels at exactly the highest value are no chance.
_CEILING_PIXELS = 10
_PLAUSIBLE_GAIN = (0.02, 50.0)
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

    Raises
    ------
    ValueError
        If ``image`` is not 2-D.

    Notes
    -----
    Accuracy: 99.9 % of isolated stars above signal-to-noise ratio 20 once, fewer than 0.5 % false
    (scripts/star_accuracy.py; smaller twins in tests/stars/test_survey.py).
    """
    _, found, _ = survey(np.asarray(image), threshold=threshold, scale_px=scale_px)
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
        Camera gain and ceiling; both are judged from the data where not given.
    max_stars : int, optional
        Measure only this many of the brightest.

    Returns
    -------
    QTable
        One row a star, brightest first: ``x``, ``y``, ``radius``, ``radius_sigma``,
        ``mean_radius`` (pix), ``flux``, ``flux_sigma``, ``background`` (adu), ``elongation``,
        ``flags``. Zero rows and the same columns where nothing was found.

    Raises
    ------
    ValueError
        If ``image`` is not 2-D.

    Notes
    -----
    Accuracy: that of `half_flux_radius` (scripts/star_accuracy.py, tests/stars/test_measure.py).
    """
    image = np.asarray(image)
    sky, found, hot = survey(image, threshold=threshold)
    if len(hot.rows):
        image = image.copy()
        mend(image, hot)
    radii = measure_places(
        image, found, sky, gain=gain_e_per_adu, ceiling=saturation_adu, max_stars=max_stars
    )
    table = star_table(radii)
    table.meta["background_adu"] = sky.level
    table.meta["background_rms_adu"] = sky.noise
    table.meta["n_found"] = len(found.x)
    return table


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
    places = np.stack([found.x, found.y], 1)[:max_stars]
    if len(places) == 0:
        return no_radii(0)
    if ceiling is None:
        ceiling = data_ceiling(image)
    radii = measure_at(
        image,
        places,
        guess_px=found.radius_px,
        sky=sky.at(places[:, 0], places[:, 1]),
        noise=sky.noise,
        gain=gain or gain_from_sky(sky),
        ceiling=ceiling,
        neighbours=Neighbours(np.stack([found.x, found.y], 1), found.peak),
    )
    return flag_frame(radii)


def gain_from_sky(sky: Sky) -> float | None:
    """Camera gain (electrons per ADU) as the sky's own photon noise would have it.

    Right for a frame without pedestal and read-out noise, too high by some factor where there is a
    pedestal: better than no photon noise at all, where the gain is not known. None where the sky
    cannot be raw counts.
    """
    if not (sky.level > 0 and sky.noise > 0):
        return None
    gain = sky.level / sky.noise**2
    return gain if _PLAUSIBLE_GAIN[0] < gain < _PLAUSIBLE_GAIN[1] else None


def data_ceiling(image: np.ndarray) -> float:
    """Level from which a pixel counts as saturated, from the data's own ceiling.

    The largest value, less one part in 200, where at least ten pixels share that ceiling; else
    infinite: nothing is saturated.
    """
    strips = [image[top : top + 256] for top in range(0, image.shape[0], 256)]
    # fmax passes over pixels that are not numbers.
    highest = [np.fmax.reduce(strip, axis=None, initial=0) for strip in strips]
    # Kept in the type of the pixels: whole numbers are compared four times faster.
    top = max(highest, default=0.0)
    full = [strip for strip, high in zip(strips, highest, strict=True) if high == top]
    count = sum(np.count_nonzero(strip == top) for strip in full)
    return 0.995 * top if top > 0 and count >= _CEILING_PIXELS else np.inf


def flag_frame(radii: Radii) -> Radii:
    """Flag the faint, and what is not shaped like the other stars of the frame."""
    flags = radii.flags.copy()
    with np.errstate(divide="ignore", invalid="ignore"):
        flags[~(radii.flux / radii.flux_sigma >= FAINT_SNR)] |= StarFlag.FAINT
    usable = (flags == 0) & np.isfinite(radii.own_radius)
    if usable.any():
        typical = float(np.median(radii.own_radius[usable]))
        spread = 1.4826 * float(np.median(np.abs(radii.own_radius[usable] - typical)))
        allowed = np.maximum(
            5 * np.hypot(spread, np.nan_to_num(radii.own_sigma)), _SIZE_TOLERANCE * typical
        )
        flags[np.abs(radii.own_radius - typical) > allowed] |= StarFlag.SHAPE
    return replace(radii, flags=flags)


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
