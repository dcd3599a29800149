"""Plain focus curves: half-flux radius against focuser position, as anyone would draw them."""

import numpy as np


def hyperbola(
    position_steps: np.ndarray, best_steps: float, floor_px: float, *, slope_px_per_step: float
) -> np.ndarray:
    """Half-flux radius sqrt(floor^2 + (slope (position - best))^2), pixels, shape as given.

    Exact for blurs whose squared radii add (Gaussians); 2 to 6 % too large near one to two floors
    of defocus for a disc blurred by seeing.

    Examples
    --------
    >>> hyperbola(np.array([970.0, 1000.0]), 1000.0, 4.0, slope_px_per_step=0.1)
    array([5., 4.])
    """
    # hypot keeps the model non-negative for every trial slope.
    defocus = slope_px_per_step * (np.asarray(position_steps, float) - best_steps)
    return np.hypot(floor_px, defocus)


def v_curve(
    position_steps: np.ndarray, best_steps: float, *, slope_px_per_step: float
) -> np.ndarray:
    """Two straight wings that meet at zero: slope |position - best|, pixels. Far from focus only.

    Examples
    --------
    >>> v_curve(np.array([900.0, 1100.0]), 1000.0, slope_px_per_step=0.1)
    array([10., 10.])
    """
    return slope_px_per_step * np.abs(np.asarray(position_steps, float) - best_steps)
