"""Comparison: offset table, temperature and direction, colour, glass against telescope."""

from .adjustment import Adjustment, Scatter, Term, adjust
from .colour_curve import SmoothCurve, fit_smooth_curve
from .colour_verdict import colour_verdict, compromise_position
from .compare import compare_sweeps
from .compared import (
    Action,
    Cause,
    ColourPoint,
    ColourReport,
    ColourWord,
    Comparison,
    FocuserHealth,
    OddFilter,
    OffsetRow,
    Slip,
    Status,
    TemperatureTerm,
)
from .compared_sets import MeasuredSet, SetComparison, SetRow
from .filter_sets import change_reference, compare_filter_sets, measured_set
from .sweeps import BestFocusData, best_focus_data

__all__ = [
    "Action",
    "Adjustment",
    "BestFocusData",
    "Cause",
    "ColourPoint",
    "ColourReport",
    "ColourWord",
    "Comparison",
    "FocuserHealth",
    "MeasuredSet",
    "OddFilter",
    "OffsetRow",
    "Scatter",
    "SetComparison",
    "SetRow",
    "Slip",
    "SmoothCurve",
    "Status",
    "TemperatureTerm",
    "Term",
    "adjust",
    "best_focus_data",
    "change_reference",
    "colour_verdict",
    "compare_filter_sets",
    "compare_sweeps",
    "compromise_position",
    "fit_smooth_curve",
    "measured_set",
]
