"""One image measured alone: stars found, each with its radii, and the radius of the image."""

from dataclasses import replace

import astropy.units as u
import numpy as np
from astropy.table import QTable
from scipy.spatial import cKDTree

from .aperture import Apertures, Noise, measure_apertures
from .combine import FAINT_SNR, combine
from .detect import Detected, Peaks, detect
from .flags import StarFlag
from .judge import burnt_out, ceiling_of, foreign_share, odd_sizes, pixel_flags
from .measured import ImageRadius, MeasuredImage, Stars
from .patches import Patches, centred, read_patches, sky_rings
from .sky import Sky, halve, sky_map, usable_pixels

#: Half-flux radius over the width of the Gaussian that fits best.
_HALF_WIDTHS = 1.15
#: Stars larger than this (half-flux radius, pixels) are measured on the binned image.
_LARGE_PX = 7.0
#: A star so much smaller or larger than the others has patches of its own.
_SAME_SIZE = 2.5
_SCOUTS = 30
_PLAUSIBLE_GAIN = (0.02, 50.0)


def measure_image(
    image: np.ndarray,
    *,
    places: np.ndarray | None = None,
    expected_radius_px: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    threshold: float = 6.0,
    max_stars: int | None = None,
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
        Measure only this many of the brightest.

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
    image, places = _checked(image, places)
    usable = usable_pixels(image)
    if not (usable.size and np.isfinite(usable).any()):
        empty = Sky(np.full((1, 1), np.nan), 1.0, np.nan)
        stars = no_stars(0 if places is None else len(places))
        return MeasuredImage(stars=stars, radius=ImageRadius(reason="no_pixels"), sky=empty)
    width = None if expected_radius_px is None else expected_radius_px / _HALF_WIDTHS
    found = detect(usable, threshold=threshold, expected_width_px=width)
    peaks, chosen = found.peaks, np.arange(len(found.peaks))[:max_stars]
    if places is not None:
        peaks = _with_places(peaks, places, width)
        chosen = np.arange(len(places))
    ceiling = ceiling_of(image) if saturation_adu is None else saturation_adu
    gain = gain_e_per_adu or gain_from_sky(found.sky)
    stars, common = measure_peaks(
        found, peaks, chosen, gain=gain, ceiling=ceiling, recentre_all=places is None
    )
    radius = combine(stars, common, found.sky, len(found.peaks))
    if places is None:
        stars = stars.part(np.argsort(-np.nan_to_num(stars.flux, nan=-1.0), kind="stable"))
    return MeasuredImage(stars=stars, radius=radius, sky=found.sky)
