"""The curve of a fit as points to draw."""

from dataclasses import dataclass

import numpy as np

from ..curves.fitted import CurveFit

_POINTS = 121


@dataclass(frozen=True, slots=True, eq=False)
class CurveLine:
    """Radius along the fitted curve, and along the plain hyperbola beside it; (k,) arrays."""

    position_steps: np.ndarray
    radius_px: np.ndarray
    hyperbola_px: np.ndarray


def curve_line(fit: CurveFit) -> CurveLine | None:
    """The fitted curve over the range of its frames; None for a sweep without an answer."""
    if not fit.answered:
        return None
    low, high = fit.curve.position_steps.min(), fit.curve.position_steps.max()
    position = np.linspace(low, high, _POINTS)
    floor, slope = fit.floor_px.value, fit.slope_px_per_step.value
    hyperbola = np.hypot(floor, slope * (position - fit.hyperbola_steps.value))
    radius = np.hypot(floor, slope * (position - fit.best_steps))
    return CurveLine(position, radius, hyperbola)
