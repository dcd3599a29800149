"""Frames: their facts from headers, what a folder holds, and how frames form sweeps."""

from .calibration import Calibration, apply_calibration, load_calibration
from .facts_csv import read_facts_csv
from .frame import Frame, FrameFacts, InputFile, Sweep
from .listing import list_frames, lost_filters, unused_notices
from .pixels import read_facts, read_frame, read_pixels
from .setup_file import complete_setup, load_setup
from .sweeps import find_sweeps, set_aside_single

__all__ = [
    "Calibration",
    "Frame",
    "FrameFacts",
    "InputFile",
    "Sweep",
    "apply_calibration",
    "complete_setup",
    "find_sweeps",
    "list_frames",
    "load_calibration",
    "load_setup",
    "lost_filters",
    "read_facts",
    "read_facts_csv",
    "read_frame",
    "read_pixels",
    "set_aside_single",
    "unused_notices",
]
