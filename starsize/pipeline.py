"""Folder in, result out: one call per arrow of frames -> tracking -> curves -> comparison."""

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from . import frames, tracking
from .cache import Cache, recalled
from .comparison import Comparison, OffsetRow
from .comparison.compared import FieldReport
from .comparison.field import at_centre, field_of_sweeps
from .curves import CurveSet, FocusCurve, correct_to_mean_temperature, micrometres_per_step
from .errors import InputError
from .estimate import Estimate, Notice, notice
from .filters import canonical_filter, filter_order
from .plan import Scouted, frames_told, result_told
from .reports import stored
from .reports.result import RunResult
from .reports.words import worded
from .setup import Setup, given_setup
from .steps import compare_sweeps, complete_setup, curve_of, find_sweeps, fit_curves

Progress = Callable[[int, int], None]
"""Called with the number of frames done and the number in all."""


_NONE = CurveSet(fits=(), covariance_steps2=np.zeros((0, 0)))


@dataclass(frozen=True, slots=True)
class StepSize:
    """Micrometres per focuser step and where the figure is from; None where nobody knows."""

    um_per_step: Estimate | None = None
    source: Literal["setup", "header", "slope"] | None = None
    notices: tuple[Notice, ...] = ()


def measure_offsets(
    paths: Iterable[str | Path | stored.StoredRun],
    *,
    setup: Setup | None = None,
    reference: str | None = None,
    facts_csv: str | Path | None = None,
    calibration: frames.Calibration | None = None,
    cache: Cache | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> RunResult:
    """Find the focus offsets between filters from folders and files of test frames.

    Parameters
    ----------
    paths : iterable of str or Path
        Folders (walked) and files with the frames of focus sweeps; folders of results of other
        nights (or as ``load_run`` read them), whose sweeps go into the same adjustment.
    setup : Setup, optional
        What is known of the equipment, that of the first folder of results by default; the rest
        is read from headers or found from the data.
    reference : str, optional
        Filter that offsets are counted from; L, or the best measured one, by default.
    facts_csv : str or Path, optional
        Table that supplies or overrides what headers say.
    calibration : Calibration, optional
        Master frames.
    cache : Cache, optional
        Where measurements are kept for the next run; its folder is not searched for frames.
    executor : concurrent.futures.Executor, optional
        Where frames are measured; in this process if None.
    progress : callable, optional
        Called with (frames done, frames in all).

    Returns
    -------
    RunResult

    Raises
    ------
    InputError
        If a path, the facts table or the reference cannot be used, or there is nothing to measure.

    Examples
    --------
    >>> result = measure_offsets(["my-night"])  # doctest: +SKIP
    >>> result  # doctest: +SKIP
    <RunResult: 7 of 7 filters measured in 9 sweeps, counted from L>
    """
    every = [stored.opened(path) for path in paths]
    earlier = [one for one in every if isinstance(one, stored.StoredRun)]
    new = [one for one in every if isinstance(one, Path)]
    given = given_setup(setup or (earlier[0].setup if earlier else None))
    files: tuple[frames.InputFile, ...] = ()
    if new or not earlier:
        skip = [cache.path.parent] if cache else []
        files = frames.list_frames(new, setup=given, facts_csv=facts_csv, skip=skip)
    stored_files = tuple(file for run in earlier for file in run.files)
    known, header_notices = complete_setup(given, (*files, *stored_files))
    found, sweep_notices = find_sweeps(files, outward=known.focuser.outward)
    files, sweeps = frames.set_aside_single(files, found)
    if not sweeps and not earlier:
        raise InputError(nothing_to_measure(files))
    stored_sweeps = tuple(sweep for run in earlier for sweep in run.sweeps)
    reference = find_reference(reference, (*sweeps, *stored_sweeps), setup=known)
    measured = tracking.measure_sweeps(
        sweeps, setup=known, calibration=calibration, cache=cache, executor=executor,
        progress=progress,
    )  # fmt: skip
    strips = recalled(cache, tracking.filmstrips, measured, camera=known.camera)
    curves, comparison, step_notices = recalled(
        cache, compare_measured, measured, setup=known, given=given, reference=reference,
        earlier=earlier,
    )  # fmt: skip
    files, sweeps = (*files, *stored_files), (*sweeps, *stored_sweeps)
    measured = (*measured, *(one for run in earlier for one in run.measured))
    comparison = with_lost_filters(comparison, files)
    notices = (
        *worded(frames.unused_notices(files)), *header_notices, *sweep_notices,
        *tracking.left_out_notices(measured), *tracking.other_field_notices(measured),
        *curves.notices, *step_notices, *comparison.notices,
    )  # fmt: skip
    return RunResult(
        setup=known,
        files=files,
        sweeps=sweeps,
        measured=measured,
        curves=curves,
        comparison=comparison,
        notices=tuple(dict.fromkeys(notices)),
        strips=(*strips, *(None for _ in measured[len(strips) :])),
    )


def load_result(path: str | Path) -> RunResult:
    """Read a result folder again; its sweeps are compared anew, by this version.

    Parameters
    ----------
    path : str or Path
        A folder that ``write_results`` wrote, or the result.json in it.

    Returns
    -------
    RunResult
        Ids of sweeps begin with the folder's name. Not stored, so empty: the tracks of single
        stars, and what was to be said of headers and grouping.

    Raises
    ------
    InputError
        If there is no result.json, it is not one of ours, or it is damaged.

    Examples
    --------
    >>> result = load_result("my-results")  # doctest: +SKIP
    >>> result.comparison  # doctest: +SKIP
    <Comparison: 7 of 7 filters measured, counted from L; colours: apart>
    """
    run = stored.load_run(path)
    return measure_offsets([run], reference=run.reference)


def compare_measured(
    measured: Sequence[tracking.MeasuredSweep],
    *,
    setup: Setup,
    given: Setup | None = None,
    reference: str | None = None,
    earlier: Sequence[stored.StoredRun] = (),
) -> tuple[CurveSet, Comparison, tuple[Notice, ...]]:
    """Fit and compare measured sweeps, beside ``earlier`` nights; this half needs no pixels.

    ``given`` is the setup without what headers supplied; the notices are about the step size.
    """
    raw = tuple(curve_of(sweep) for sweep in measured)

    def fitted(sweeps: Sequence[FocusCurve], near: CurveSet | None = None) -> CurveSet:
        curves = fit_curves(sweeps, setup=setup, near=near) if sweeps else _NONE
        return stored.joined_curves(curves, [run.curves for run in earlier])

    def compared(curves: CurveSet) -> tuple[Comparison, StepSize]:
        step = find_step_size(curves, setup=setup, given=given or setup)
        um, outward = step.um_per_step, setup.focuser.outward
        stored.check_same_focuser(earlier, um_per_step=um.value if um else None, outward=outward)
        found = compare_sweeps(
            curves, setup=setup, reference=reference, um_per_step=um, um_per_step_source=step.source
        )
        return found, step

    curves = fitted(raw)
    comparison, step = compared(curves)
    drift = comparison.temperature.steps_per_degC
    if drift is not None and _bends(raw, curves, drift.value):
        # The coefficient is a by-product of the first pass; the second frees each sweep of the
        # cooling that went on within it. A third would move nothing that can be measured.
        moved = [correct_to_mean_temperature(c, steps_per_degC=drift.value) for c in raw]
        curves = fitted(moved, curves)
        comparison, step = compared(curves)
    field = field_of_sweeps(
        measured, curves.fits, setup=setup, um_per_step=step.um_per_step,
        reference=comparison.reference,
    )  # fmt: skip
    if not isinstance(field, FieldReport):
        return curves, replace(comparison, field_reason=worded(field) or ""), step.notices
    if field.significant:
        # All filters are compared at the centre: a filter that shows only the stars of one half
        # would otherwise carry the tilt into its offset. The curves stay those of all stars.
        comparison, step = compared(at_centre(curves, field.centre_steps))
    return curves, replace(comparison, field=field), step.notices


def _bends(raw: Sequence[FocusCurve], curves: CurveSet, steps_per_degC: float) -> bool:
    """Whether cooling within a sweep moves focus by a tenth of what is known of it, or more."""
    if not math.isfinite(steps_per_degC) or not curves.answered:
        return False
    within = max((float(np.ptp(c.temperature_degC)) for c in raw), default=0.0)
    least = min(fit.best_sigma_steps for fit in curves.answered)
    return abs(steps_per_degC) * within > 0.1 * least


def find_step_size(curves: CurveSet, *, setup: Setup, given: Setup) -> StepSize:
    """Micrometres per step: as stated, else as headers say, else from the slope of the wings."""
    ratio, pixel = setup.telescope.focal_ratio, setup.camera.pixel_um
    slope, answered, measured = curves.slope_px_per_step, curves.answered, None
    if not slope.is_known and len(answered) == 1:
        slope = answered[0].slope_px_per_step  # one sweep has nobody to share with
    if ratio and pixel and slope.is_known:
        hole = setup.telescope.obstruction
        measured = micrometres_per_step(slope, focal_ratio=ratio, pixel_um=pixel, obstruction=hole)
    stated = setup.focuser.um_per_step
    if stated is None:
        return StepSize(measured, "slope") if measured else StepSize()
    source: Literal["setup", "header"] = "setup" if given.focuser.um_per_step else "header"
    # Diffraction and lens errors move the wings by a few per cent, so less is no contradiction.
    if measured is None or abs(measured.value - stated) < max(3 * measured.sigma, 0.08 * stated):
        return StepSize(Estimate(stated), source)
    told = notice("step_size_disagrees", source=source, stated=stated, measured=measured)
    return StepSize(Estimate(stated), source, (worded(told),))


def find_reference(
    asked: str | None, sweeps: Sequence[frames.Sweep], *, setup: Setup
) -> str | None:
    """The filter that is meant by the reference; ``InputError`` without a sweep of it.

    Where nobody asked, G of a colour camera, half of its pixels; else the comparison chooses it.
    """
    if asked is None:
        return "G" if all(frame.bayer for one in sweeps for frame in one.frames) else None
    found = {sweep.filter for sweep in sweeps}
    if any(frame.bayer for sweep in sweeps for frame in sweep.frames):
        found |= {"R", "G", "B"}
    name = asked if asked in found else canonical_filter(asked, aliases=setup.aliases)
    if name in found:
        return name
    listed = ", ".join(sorted(found, key=filter_order))
    raise InputError(f"the reference '{asked}' is not among the filters found: {listed}")


def with_lost_filters(comparison: Comparison, files: Sequence[frames.InputFile]) -> Comparison:
    """Add a refused row for each filter that the headers name but of which no frame can serve."""
    rows, reference = {row.filter: row for row in comparison.rows}, comparison.reference
    none: dict[str, Any] = {"reference": reference, "sweeps": 0, "frames": 0, "stars": 0}
    for name, why in frames.lost_filters(files).items():
        rows.setdefault(name, OffsetRow(filter=name, status="refused", reason=why, **none))
    return replace(comparison, rows=tuple(rows[name] for name in sorted(rows, key=filter_order)))


def nothing_to_measure(files: Sequence[frames.InputFile]) -> str:
    """One line that says why none of the files can serve, with the commonest reason."""
    reasons = Counter(f.reason for f in files if f.reason)
    if not reasons:
        return "no frames were given; name a folder of them"
    commonest, count = max(reasons.items(), key=lambda item: item[::-1])
    share = f"{count} of {len(files)}"
    return f"none of the files can be used; the commonest reason ({share}): {commonest}"


def scout(
    paths: Sequence[str | Path], *, setup: Setup | None = None, executor: Executor | None = None
) -> tuple[Setup, Scouted]:
    """Look at test frames, or at an earlier result, before a plan is made.

    Parameters
    ----------
    paths : sequence of str or Path
        Frames and folders of them, of which the sharpest is taken to be in focus; or one result
        folder.
    setup, executor
        As ``measure_offsets`` takes them.

    Returns
    -------
    setup : Setup
    told : Scouted

    Raises
    ------
    InputError
        If a path cannot be used, results are mixed with other paths, or nothing can be measured.

    Examples
    --------
    >>> setup, told = scout(["test_frame.fits"])  # doctest: +SKIP
    """
    every, given = [Path(path) for path in paths], given_setup(setup)
    if any(stored.is_result(path) for path in every):
        if len(every) > 1:
            raise InputError("plan from one result folder, or from test frames; not from both")
        result = load_result(every[0])
        known = result.setup if setup is None or setup == Setup() else setup
        bands = known.bands(sweep.filter for sweep in result.measured)
        return known, result_told(result.curves, result.comparison, result.measured, bands=bands)
    files = frames.list_frames(every, setup=given)
    known, _ = complete_setup(given, files)
    facts = [f.facts for f in files if f.usable and f.facts is not None]
    if not facts:
        raise InputError(nothing_to_measure(files))
    measured = tracking.measure_files(facts, setup=known, executor=executor)
    return known, frames_told(measured, known.bands(f.filter or "" for f in facts))
