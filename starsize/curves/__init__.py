"""Curves: half-flux radius against position, the model fitted to it, best focus."""

from .curve import (
    BoundedRadii,
    FocusCurve,
    correct_to_mean_temperature,
    focus_curve,
    inner_radii,
)
from .fit import fit_curve, fit_curves
from .fitted import CurveFit, CurveSet, ModelName, Verdict
from .guess import Guess, guess_hyperbola
from .least_squares import LeastSquares, fit_hyperbola, least_squares_fit
from .night import Known
from .prediction import radius_at
from .shapes import hyperbola, v_curve
from .step_size import micrometres_per_step
