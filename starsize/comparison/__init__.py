"""Comparison: offset table, temperature and direction, colour, glass against telescope."""

from .colour.verdict import colour_verdict, compromise_position
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
from .offsets.adjustment import Adjustment, Scatter, Term, adjust
from .offsets.sweeps import BestFocusData, best_focus_data
from .sets.compared import MeasuredSet, SetComparison, SetRow
from .sets.filter_sets import change_reference, compare_filter_sets
