"""The public names and where they live; ``__init__`` loads each when it is first asked for."""

from .cache import (
    Cache as Cache,
)
from .comparison import (
    Comparison as Comparison,
    MeasuredSet as MeasuredSet,
    OffsetRow as OffsetRow,
)
from .curves import (
    CurveFit as CurveFit,
    CurveSet as CurveSet,
    FocusCurve as FocusCurve,
    focus_curve as focus_curve,
    micrometres_per_step as micrometres_per_step,
    radius_at as radius_at,
)
from .errors import (
    InputError as InputError,
    StarsizeError as StarsizeError,
)
from .estimate import (
    Estimate as Estimate,
    Notice as Notice,
)
from .frames import (
    Frame as Frame,
    FrameFacts as FrameFacts,
    Sweep as Sweep,
    apply_calibration as apply_calibration,
    list_frames as list_frames,
    load_calibration as load_calibration,
    load_setup as load_setup,
    read_frame as read_frame,
)
from .night import (
    Equipment as Equipment,
    Exposure as Exposure,
    NightResult as NightResult,
    equipment_from_setup as equipment_from_setup,
    judge_night as judge_night,
)
from .night_run import (
    follow_night as follow_night,
    measure_night as measure_night,
)
from .photometry import (
    StarFlag as StarFlag,
    half_flux_radius as half_flux_radius,
)
from .pipeline import (
    load_result as load_result,
    measure_offsets as measure_offsets,
    scout as scout,
)
from .plan import (
    CapturePlan as CapturePlan,
    Scouted as Scouted,
    plan_capture as plan_capture,
)
from .reports import (
    RunResult as RunResult,
    curves_table as curves_table,
    frames_table as frames_table,
    load_measured_set as load_measured_set,
    offsets_table as offsets_table,
    plan_document as plan_document,
    result_document as result_document,
    write_plan as write_plan,
    write_results as write_results,
)
from .reports.figures.plots import (
    plot as plot,
)
from .setup import (
    Setup as Setup,
)
from .steps import (
    compare_filter_sets as compare_filter_sets,
    compare_sweeps as compare_sweeps,
    complete_setup as complete_setup,
    curve_of as curve_of,
    find_sweeps as find_sweeps,
    fit_curve as fit_curve,
    fit_curves as fit_curves,
    measure_frame as measure_frame,
)
from .tracking import (
    FrameRadius as FrameRadius,
    MeasuredSweep as MeasuredSweep,
    measure_sweeps as measure_sweeps,
)

__version__: str
