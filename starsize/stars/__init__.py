"""Stars: background, detection, half-flux radius, the same star through a sweep."""

from .combine import combine_stars
from .flags import FLAG_WORDS, StarFlag, count_flags
from .measure import find_stars, measure_frame
from .measured import FrameRadius, MeasuredSweep, NightStars, StarTracks
from .night_notices import other_field_notices
from .radius import Radii, half_flux_radius
from .register import Motion, align
from .single import measure_files, measure_files_and_stars
from .sweep import measure_sweeps

__all__ = [
    "FLAG_WORDS",
    "FrameRadius",
    "MeasuredSweep",
    "Motion",
    "NightStars",
    "Radii",
    "StarFlag",
    "StarTracks",
    "align",
    "combine_stars",
    "count_flags",
    "find_stars",
    "half_flux_radius",
    "measure_files",
    "measure_files_and_stars",
    "measure_frame",
    "measure_sweeps",
    "other_field_notices",
]
