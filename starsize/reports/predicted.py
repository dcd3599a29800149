"""The curve of a fit as points to draw."""

from dataclasses import dataclass

import numpy as np

from ..curves import CurveFit, hyperbola, radius_at

_POINTS = 97


@dataclass(frozen=True, slots=True, eq=False)
class CurveLine:
    """Radius along the fitted curve, and along the cross-check beside it; (k,) arrays.

    The cross-check is the plain hyperbola at its own vertex, with the floor and slope of the fit.
    """

    position_steps: np.ndarray
    radius_px: np.ndarray
    hyperbola_px: np.ndarray


def curve_line(fit: CurveFit) -> CurveLine | None:
    """The fitted curve over the range of its frames; None for a sweep without an answer."""
    if not fit.answered:
        return None
    low, high = fit.curve.position_steps.min(), fit.curve.position_steps.max()
    position = np.linspace(low, high, _POINTS)
    vertex, slope = fit.hyperbola_steps.value, fit.slope_px_per_step.value
    check = hyperbola(position, vertex, fit.floor_px.value, slope_px_per_step=slope)
    return CurveLine(position, radius_at(fit, position), check)
