"""Micrometres per focuser step, from the slope of the wings."""

import math

from ..estimate import NOT_KNOWN, Estimate
from ..optics import wing_slope_px_per_um

DIFFRACTION = 0.047
"""The straight asymptote lies this share of the wings' slope above them, for diffraction: 2.7 % at
four waves of defocus for a clear pupil, 4.7 % for one obstructed by 0.35
(tests/curves/test_step_size.py)."""


def micrometres_per_step(
    slope_px_per_step: Estimate,
    *,
    focal_ratio: float,
    pixel_um: float,
    obstruction: float = 0.0,
) -> Estimate:
    """Focuser travel per step in micrometres, with its uncertainty.

    The wing slope in pixels per step over that in pixels per micrometre, which is geometry:
    sqrt(1 + e^2) / (2 sqrt 2 N p). The uncertainty holds 4.7 % for diffraction.

    Parameters
    ----------
    slope_px_per_step : Estimate
        Slope of the straight wings.
    focal_ratio, pixel_um : float
        Of the telescope and the camera, as they work together.
    obstruction : float
        Diameter of the central obstruction over that of the aperture.

    Returns
    -------
    Estimate
        Micrometres per step; not known where the slope is not.

    Raises
    ------
    ValueError
        If focal ratio or pixel are not positive.

    References
    ----------
    .. [1] W. J. Smith, Modern Optical Engineering: the blur of a defocused image is the shift over
       the focal ratio.

    Examples
    --------
    >>> size = micrometres_per_step(Estimate(0.05, 0.0), focal_ratio=5.0, pixel_um=3.76)
    >>> round(size.value, 3)
    2.659
    """
    if not (focal_ratio > 0 and pixel_um > 0):
        msg = f"'focal_ratio' and 'pixel_um' must be positive, got {focal_ratio}, {pixel_um}"
        raise ValueError(msg)
    if not slope_px_per_step.is_known:
        return NOT_KNOWN
    per_um = wing_slope_px_per_um(focal_ratio, pixel_um, obstruction)
    value = slope_px_per_step.value / per_um
    return Estimate(value, value * math.hypot(slope_px_per_step.relative, DIFFRACTION))
