"""How far frames lie from their curve, and how surely the curve itself is known."""

import numpy as np

from .fitted import CurveFit
from .prediction import radius_at


def residual_sigmas(fit: CurveFit) -> np.ndarray:
    """Measured less fitted radius of each frame, in its standard uncertainty; NaN if refused.

    As in `statistics`, with dR / dlnF = F^2 / R of the hyperbola R^2 = F^2 + (slope x)^2.
    """
    curve = fit.curve
    fitted = radius_at(fit, curve.position_steps)
    seeing = np.nan_to_num(fit.jitter) * fit.floor_px.value**2 / fitted
    noise = np.sqrt(
        np.nan_to_num(curve.radius_sigma_px) ** 2 + seeing**2 + (fit.lack * fitted) ** 2
    )
    return (curve.radius_px - fitted) / noise


def curve_sigma_px(fit: CurveFit, position_steps: np.ndarray) -> np.ndarray:
    """Standard uncertainty of the fitted curve at some positions, pixels; NaN if refused.

    From those of best focus b, smallest radius F and slope k of the wings: R^2 = F^2 + (k x)^2
    gives dR/db = -dR/dx, dR/dF = F / R and dR/dk = k x^2 / R, which hardly go together.
    """
    position = np.asarray(position_steps, float)
    radius = radius_at(fit, position)
    away = position - fit.best_steps
    slope, floor = fit.slope_px_per_step, fit.floor_px
    parts = (
        slope.value**2 * away / radius * fit.best_sigma_steps,
        floor.value / radius * np.nan_to_num(floor.sigma),
        slope.value * away**2 / radius * np.nan_to_num(slope.sigma),
    )
    return np.sqrt(sum(part**2 for part in parts))
