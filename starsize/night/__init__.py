"""Focus through a night of ordinary exposures: numbers and codes, the words are ``reports``'."""

from .equipment import Equipment
from .filters import FilterOffset
from .judge import FrameFocus
from .learn import SweptFrame, equipment_from_fits, equipment_from_setup, learn_shape
from .observed import Exposure, exposures_of
from .result import NightResult, judge_night, with_files
from .rule import FOCUSING_MINUTES, RefocusRule
