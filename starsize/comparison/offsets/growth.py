"""How much the stars of a filter grow where focus is not at its best."""

import math

import numpy as np

from ...curves import radius_at
from ...curves.fitted import CurveFit
from ...estimate import Estimate


def growth(fit: CurveFit | None, defocus_steps: float) -> float | None:
    """Radius at a distance from best focus over the smallest radius, from the filter's curve."""
    if fit is None or not fit.answered:
        return None
    if not fit.shape:
        # A fit that somebody brought with no more than floor and slope is a hyperbola.
        rise = fit.slope_px_per_step.value * defocus_steps / fit.floor_px.value
        return math.hypot(1.0, rise) if math.isfinite(rise) else None
    there, smallest = radius_at(fit, fit.best_steps + np.array([defocus_steps, 0.0]))
    return float(there / smallest) if np.isfinite(there) and smallest > 0 else None


def growth_if_ignored(fit: CurveFit | None, offset: Estimate) -> Estimate | None:
    """Fraction by which stars grow if the reference's position is kept, in the seeing of the sweep.

    ``offset`` is the filter's best focus minus the reference's, in steps; its uncertainty carries
    over as the difference that one sigma to either side makes.
    """
    here = growth(fit, -offset.value)
    sides = [growth(fit, -(offset.value + side * offset.sigma)) for side in (-1.0, 1.0)]
    if here is None or sides[0] is None or sides[1] is None:
        return None
    return Estimate(here - 1, max(abs(s - here) for s in sides if s is not None))
