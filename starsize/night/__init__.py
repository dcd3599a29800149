"""Focus through a night of ordinary exposures: numbers and codes, the words are ``reports``'."""

from .filters import FilterOffset
from .judge import FrameFocus
from .learn import equipment_from_fits, equipment_from_setup, learn_shape
from .observed import Exposure, exposure_of, exposures_of
from .result import NightResult, judge_night
from .rule import FOCUSING_MINUTES, RefocusRule
from .telescope import Equipment
