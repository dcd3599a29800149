"""Telescope focus from image frames: half-flux radii, focus curves, filter offsets.

The names below follow the way the data flows: frames -> photometry -> tracking -> curves ->
comparison -> reports. Each step can be used alone; ``measure_offsets`` is all of them in a row.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .comparison import compare_filter_sets, compare_sweeps
    from .curves import (
        FocusCurve,
        fit_curve,
        fit_curves,
        focus_curve,
        micrometres_per_step,
        radius_at,
    )
    from .errors import InputError, StarsizeError
    from .estimate import Estimate, Notice
    from .frames import (
        Frame,
        FrameFacts,
        Sweep,
        apply_calibration,
        complete_setup,
        find_sweeps,
        list_frames,
        load_calibration,
        load_setup,
        read_frame,
    )
    from .photometry import StarFlag, find_stars, half_flux_radius, measure_frame
    from .pipeline import measure_offsets
    from .reports import RunResult, result_document, write_results
    from .setup import Setup
    from .tracking import measure_sweeps

__version__ = "0.1.0"

__all__ = [
    "Estimate",
    "FocusCurve",
    "Frame",
    "FrameFacts",
    "InputError",
    "Notice",
    "RunResult",
    "Setup",
    "StarFlag",
    "StarsizeError",
    "Sweep",
    "apply_calibration",
    "compare_filter_sets",
    "compare_sweeps",
    "complete_setup",
    "find_stars",
    "find_sweeps",
    "fit_curve",
    "fit_curves",
    "focus_curve",
    "half_flux_radius",
    "list_frames",
    "load_calibration",
    "load_setup",
    "measure_frame",
    "measure_offsets",
    "measure_sweeps",
    "micrometres_per_step",
    "radius_at",
    "read_frame",
    "result_document",
    "write_results",
]

_HOMES = {
    "errors": ("InputError", "StarsizeError"),
    "estimate": ("Estimate", "Notice"),
    "setup": ("Setup",),
    "frames": (
        "Frame",
        "FrameFacts",
        "Sweep",
        "apply_calibration",
        "complete_setup",
        "find_sweeps",
        "list_frames",
        "load_calibration",
        "load_setup",
        "read_frame",
    ),
    "photometry": ("StarFlag", "find_stars", "half_flux_radius", "measure_frame"),
    "tracking": ("measure_sweeps",),
    "curves": (
        "FocusCurve",
        "fit_curve",
        "fit_curves",
        "focus_curve",
        "micrometres_per_step",
        "radius_at",
    ),
    "comparison": ("compare_filter_sets", "compare_sweeps"),
    "reports": ("RunResult", "result_document", "write_results"),
    "pipeline": ("measure_offsets",),
}
_HOME = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    """Load a layer when one of its names is first asked for: ``starsize --help`` stays instant."""
    if name not in _HOME:
        msg = f"module 'starsize' has no attribute '{name}'"
        raise AttributeError(msg)
    return getattr(importlib.import_module(f".{_HOME[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
