"""Draw a fitted curve: the radius it predicts anywhere."""

import numpy as np

from .catalogue import family_for_drawing
from .family import LINE, Family, curve_and_slopes, smallest
from .fitted import CurveFit, ModelName


def radius_at(fit: CurveFit, position_steps: np.ndarray) -> np.ndarray:
    """Half-flux radius that a fit predicts at the given positions, pixels.

    Parameters
    ----------
    fit : CurveFit
    position_steps : (n,) array_like

    Returns
    -------
    (n,) float array
        NaN where the sweep was refused.
    """
    position = np.asarray(position_steps, float)
    if not fit.answered:
        return np.full(position.shape, np.nan)
    family, parameters = _unpack(fit.model, fit.shape)
    return curve_and_slopes(position, parameters, family)[0]


def pack_shape(
    obstruction: float, parameters: np.ndarray, *, model: ModelName, best_steps: float
) -> tuple[float, ...]:
    """Put a curve into ``CurveFit.shape``: obstruction, then the parameters in px and steps.

    The curve is moved so that its smallest radius lies at ``best_steps``, which is an average over
    many curves.
    """
    shape = (obstruction, *(float(p) for p in parameters))
    family, found = _unpack(model, shape)
    dip = float(smallest(found, family)[0])
    return (obstruction, shape[1] + best_steps - dip, *shape[2:])


def wing_centre(model: ModelName, shape: tuple[float, ...], *, best_steps: float) -> float:
    """Middle between the two positions where the curve is twice its smallest radius."""
    family, parameters = _unpack(model, shape)
    scale = float(np.exp(parameters[1] - parameters[2]))
    spread = 1 + abs(parameters[LINE]) + abs(parameters[LINE + 1])
    away = np.linspace(0, 8 * scale * spread, 80)
    side = np.array([-1.0, 1.0])
    radius = curve_and_slopes(best_steps + np.outer(side, away), parameters, family)[0]
    double = 2 * radius[0, 0]
    place = np.array([np.interp(double, np.maximum.accumulate(r), away) for r in radius])
    # Between two points of the grid the wing is all but straight: one step of Newton ends on it.
    radius, by, _ = curve_and_slopes(best_steps + side * place, parameters, family)
    rise = np.maximum(-side * by[:, 0], 0.1 * np.exp(parameters[2]))
    place = place + np.clip((double - radius) / rise, -away[1], away[1])
    return best_steps + float((side * place).sum()) / 2


def _unpack(model: ModelName, shape: tuple[float, ...]) -> tuple[Family, np.ndarray]:
    parameters = np.array(shape[1:])
    band = bool(parameters[LINE] != 0)
    return family_for_drawing(model, obstruction=shape[0], band=band), parameters
