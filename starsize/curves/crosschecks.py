"""Where the two straight wings meet: a second opinion that knows no curve at all."""

import numpy as np

from ..estimate import NOT_KNOWN, Estimate

FAR = 1.2
"""Defocus in floors from which a point counts as lying on a wing."""


def wings_meet(
    position_steps: np.ndarray,
    radius_px: np.ndarray,
    sigma_px: np.ndarray,
    *,
    best_steps: float,
    floor_steps: float,
) -> Estimate:
    """Crossing of a straight line through each wing, steps; not known with fewer than two points.

    Parameters
    ----------
    position_steps, radius_px, sigma_px : (n,) arrays
    best_steps : float
        Which side a point lies on.
    floor_steps : float
        Defocus that widens a star by its own floor.
    """
    away = position_steps - best_steps
    lines = []
    for side in (-1, 1):
        on = side * away > FAR * floor_steps
        if np.unique(away[on]).size < 2:
            return NOT_KNOWN
        lines.append(np.polyfit(away[on], radius_px[on], 1, w=1 / sigma_px[on], cov="unscaled"))
    (left, left_cov), (right, right_cov) = lines
    steeper = right[0] - left[0]
    if steeper <= 0:
        return NOT_KNOWN
    cross = (left[1] - right[1]) / steeper
    gradient = np.array([cross, 1.0]) / steeper
    variance = gradient @ (left_cov + right_cov) @ gradient
    return Estimate(float(best_steps + cross), float(np.sqrt(variance)))
