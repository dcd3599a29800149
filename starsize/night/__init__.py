"""Focus through a night of ordinary exposures: numbers and codes, the words are ``reports``'."""

from .causes import RefocusRule
from .judge import FilterOffset, FrameFocus
from .learn import equipment_from_fits, equipment_from_setup, learn_shape
from .observed import Exposure, exposure_of, exposures_of
from .result import NightResult, judge_night
from .telescope import Equipment
