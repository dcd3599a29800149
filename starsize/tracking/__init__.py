"""Tracking: the frames of a night measured, and the same star through them."""

from .measured import FrameRadius, MeasuredSweep, StarTracks
from .notices import left_out_notices, other_field_notices
from .single import measure_files, measure_files_and_stars
from .sweep import measure_sweeps

__all__ = [
    "FrameRadius",
    "MeasuredSweep",
    "StarTracks",
    "left_out_notices",
    "measure_files",
    "measure_files_and_stars",
    "measure_sweeps",
    "other_field_notices",
]
