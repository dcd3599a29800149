"""Tracking: the frames of a night measured, and the same star through them."""

from .filmstrip import Filmstrip, filmstrips
from .measured import FrameRadius, MeasuredSweep, StarTracks
from .sweep import measure_files, measure_files_and_stars, measure_sweeps
from .words import left_out_notices, other_field_notices
