"""What to capture: sweeps planned by the covariance that fit and adjustment would give them."""

from .equipment import Scouted, frames_told, result_told
from .planned import Assumed, CapturePlan, More
from .planning import plan_capture
