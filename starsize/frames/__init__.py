"""Frames: their facts from headers, what a folder holds, and how frames form sweeps."""

from .calibration import Calibration, apply_calibration, load_calibration
from .frame import Frame, FrameFacts, InputFile, Sweep
from .listing import list_frames, lost_filters, unused_notices
from .pixels import read_facts, read_frame, read_pixels
from .setup_file import complete_setup, load_setup
from .sweeps import find_sweeps, set_aside_single
from .tables import read_facts_csv
