"""Telescope focus from image frames: half-flux radii, focus curves, filter offsets.

The names below follow the way the data flows: frames -> photometry -> tracking -> curves ->
comparison -> reports. Each step can be used alone; ``measure_offsets`` is all of them in a row.
"""

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .cache import Cache
    from .comparison import (
        Comparison,
        MeasuredSet,
        OffsetRow,
    )
    from .curves import (
        CurveFit,
        CurveSet,
        FocusCurve,
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
    from .photometry import StarFlag, find_stars, half_flux_radius
    from .pipeline import load_result, measure_offsets
    from .plan import CapturePlan, Scouted, plan_capture
    from .reports import (
        RunResult,
        load_measured_set,
        plan_document,
        plot,
        result_document,
        write_plan,
        write_results,
    )
    from .scouting import scout
    from .setup import Setup
    from .steps import (
        compare_filter_sets,
        compare_sweeps,
        curve_of,
        fit_curve,
        fit_curves,
        measure_frame,
    )
    from .tracking import FrameRadius, MeasuredSweep, measure_sweeps

__version__ = "0.2.0"

__all__ = [
    "Cache",
    "CapturePlan",
    "Comparison",
    "CurveFit",
    "CurveSet",
    "Estimate",
    "FocusCurve",
    "Frame",
    "FrameFacts",
    "FrameRadius",
    "InputError",
    "MeasuredSet",
    "MeasuredSweep",
    "Notice",
    "OffsetRow",
    "RunResult",
    "Scouted",
    "Setup",
    "StarFlag",
    "StarsizeError",
    "Sweep",
    "apply_calibration",
    "compare_filter_sets",
    "compare_sweeps",
    "complete_setup",
    "curve_of",
    "find_stars",
    "find_sweeps",
    "fit_curve",
    "fit_curves",
    "focus_curve",
    "half_flux_radius",
    "list_frames",
    "load_calibration",
    "load_measured_set",
    "load_result",
    "load_setup",
    "measure_frame",
    "measure_offsets",
    "measure_sweeps",
    "micrometres_per_step",
    "plan_capture",
    "plan_document",
    "plot",
    "radius_at",
    "read_frame",
    "result_document",
    "scout",
    "write_plan",
    "write_results",
]

_HOMES = {
    "cache": ("Cache",),
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
    "photometry": ("StarFlag", "find_stars", "half_flux_radius"),
    "tracking": ("FrameRadius", "MeasuredSweep", "measure_sweeps"),
    "curves": (
        "CurveFit",
        "CurveSet",
        "FocusCurve",
        "focus_curve",
        "micrometres_per_step",
        "radius_at",
    ),
    "comparison": (
        "Comparison",
        "MeasuredSet",
        "OffsetRow",
    ),
    "plan": ("CapturePlan", "Scouted", "plan_capture"),
    "reports": (
        "RunResult",
        "load_measured_set",
        "plan_document",
        "plot",
        "result_document",
        "write_plan",
        "write_results",
    ),
    "steps": (
        "compare_filter_sets",
        "compare_sweeps",
        "curve_of",
        "fit_curve",
        "fit_curves",
        "measure_frame",
    ),
    "pipeline": ("load_result", "measure_offsets"),
    "scouting": ("scout",),
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
