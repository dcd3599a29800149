"""Comparison: offset table, temperature and direction, colour, glass against telescope."""

from .colour.verdict import colour_verdict, compromise_position
from .compare import compare_sweeps
from .compared import Comparison, OffsetRow
from .offsets.adjustment import Term, adjust
from .offsets.sweeps import best_focus_data
from .sets import MeasuredSet, change_reference, compare_filter_sets
