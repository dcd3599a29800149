"""Curves: half-flux radius against position, the model fitted to it, best focus."""

from ..optics.star import Known
from .curve import BoundedRadii, FocusCurve, correct_to_mean_temperature, focus_curve, inner_radii
from .fit import fit_curve, fit_curves
from .fitted import CurveFit, CurveSet, ModelName, Verdict, radius_at
from .plain import (
    Guess,
    LeastSquares,
    fit_hyperbola,
    guess_hyperbola,
    hyperbola,
    micrometres_per_step,
    v_curve,
)
