"""A night of exposures, folder in, result out."""

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import replace
from functools import partial
from itertools import chain
from pathlib import Path

from . import night
from .cache import Cache
from .errors import InputError
from .estimate import NOT_KNOWN, Estimate, Notice, notice
from .frames import Calibration, InputFile, list_frames
from .frames.frame import FrameFacts
from .frames.walk import follow_folders
from .night.course import prepare_course
from .night.judge import LiveNight
from .night.learn import band_of
from .night.observed import SHARED, with_scatter
from .night.result import night_result
from .pipeline import load_result, nothing_to_measure
from .reports.result import RunResult
from .reports.words import worded
from .setup import Setup, given_setup
from .steps import complete_setup
from .tracking import FrameRadius, measure_files

_Memory = dict[tuple[Path, int, int], tuple[FrameRadius, ...]]
"""What was measured of a file: by its path, size and time of change."""
_SETTLE_S = 0.6
"""A frame that is still being written is short of what its header says, and comes again."""


def measure_night(
    paths: Iterable[str | Path],
    *,
    setup: Setup | None = None,
    offsets: str | Path | None = None,
    growth: float = 0.1,
    facts_csv: str | Path | None = None,
    calibration: Calibration | None = None,
    cache: Cache | None = None,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> night.NightResult:
    """Follow focus through a night of ordinary exposures.

    Parameters
    ----------
    paths : iterable of str or Path
        Folders (walked) and files.
    offsets : str or Path, optional
        A folder that ``measure_offsets`` filled: the star of the telescope, its field, the table
        of offsets and the temperature coefficient are taken from it, ``setup`` by default too.
    growth : float
        Growth of the stars by defocus alone, a fraction, that counts as loss.
    setup, facts_csv, calibration, cache, executor, progress
        As ``measure_offsets`` takes them.

    Returns
    -------
    NightResult

    Raises
    ------
    InputError
        If a path, the facts table or the result folder cannot be used, or there is no exposure.

    Examples
    --------
    >>> measure_night(["tonight"], offsets="starsize-out")  # doctest: +SKIP
    """
    known, given = _known_before(offsets, setup)
    skip = [cache.path.parent] if cache else []
    files = list_frames(paths, setup=given, facts_csv=facts_csv, skip=skip)
    facts = [file.facts for file in files if file.is_exposure and file.facts is not None]
    if not facts:
        raise InputError(nothing_to_measure(files))
    complete, notices = complete_setup(given, files)
    frames = measure_files(
        facts, setup=complete, calibration=calibration, executor=executor, cache=cache,
        progress=progress,
    )  # fmt: skip
    exposures = night.exposures_of(frames)
    equipment, more = equipment_of(known, complete, exposures)
    result = night.judge_night(exposures, equipment, limit=growth)
    return _with_files(result, files, (*notices, *more))


def follow_night(
    folders: Sequence[str | Path],
    *,
    setup: Setup | None = None,
    offsets: str | Path | None = None,
    growth: float = 0.1,
    facts_csv: str | Path | None = None,
    calibration: Calibration | None = None,
    skip: Sequence[Path] = (),
    executor: Executor | None = None,
) -> Iterator[night.NightResult]:
    """Follow a night while its frames come in; each is measured once and judged by its past.

    Parameters
    ----------
    folders : sequence of str or Path
        Folders that the frames are written to.
    setup, offsets, growth, facts_csv, calibration, executor
        As `measure_night` takes them.
    skip : sequence of Path
        Folders to leave out.

    Returns
    -------
    iterator of NightResult
        One whenever frames have come: of the night so far, each frame judged by itself and those
        before it. Offsets are not asked; `measure_night` does that when the night is over.

    Raises
    ------
    InputError
        As `measure_night`; a folder that is still empty is none.

    Examples
    --------
    >>> for night in follow_night(["tonight"]):  # doctest: +SKIP
    ...     print(night)
    """
    known, given = _known_before(offsets, setup)
    memory: _Memory = {}
    live: LiveNight | None = None
    for quiet_s in follow_folders([Path(f) for f in folders], skip=skip, settle_s=_SETTLE_S):
        if quiet_s > 0:
            continue
        try:
            files = list_frames(folders, setup=given, facts_csv=facts_csv, skip=skip)
        except InputError:
            if live is not None:
                raise
            continue  # nothing has come yet
        complete, notices = complete_setup(given, files)
        measure = partial(measure_files, setup=complete, calibration=calibration, executor=executor)
        before, memory = memory, _measured(files, memory, measure)
        exposures = with_scatter(night.exposures_of(list(chain.from_iterable(memory.values()))))
        if not exposures:
            continue
        # A frame gone, written anew or between others, or a filter not seen before, changes what
        # was thought of all.
        kept = before.keys() <= memory.keys()
        if live is None or not (kept and _goes_on(live, exposures)):
            equipment, more = equipment_of(known, complete, exposures)
            live = LiveNight(prepare_course(exposures, equipment, limit=growth))
        for one in exposures[len(live.frames) :]:
            live.add(one)
        result = night_result(live.course, live.focus())
        yield _with_files(result, files, (*notices, *more))


def _known_before(
    offsets: str | Path | None, setup: Setup | None
) -> tuple[RunResult | None, Setup]:
    known = load_result(offsets) if offsets is not None else None
    return known, given_setup(setup or (known.setup if known else None))


def _goes_on(live: LiveNight, exposures: Sequence[night.Exposure]) -> bool:
    """Whether the exposures are those already judged and others after them."""
    judged = [one.file for one in live.course.exposures]
    same = [one.file for one in exposures[: len(judged)]] == judged
    return same and all(one.filter in live.course.tables for one in exposures)


def _measured(
    files: Sequence[InputFile],
    memory: _Memory,
    measure: Callable[[Sequence[FrameFacts]], tuple[FrameRadius, ...]],
) -> _Memory:
    """The exposures that are there, in order; measured is what the memory does not hold."""
    here: dict[tuple[Path, int, int], FrameFacts] = {}
    for file in files:
        if file.is_exposure and file.facts is not None:
            with suppress(OSError):  # it has just gone
                state = file.path.stat()
                here[file.path, state.st_size, state.st_mtime_ns] = file.facts
    by_path: dict[Path, tuple[FrameRadius, ...]] = {}
    for frame in measure([facts for key, facts in here.items() if key not in memory]):
        by_path[frame.facts.path] = (*by_path.get(frame.facts.path, ()), frame)
    return {key: memory[key] if key in memory else by_path.get(key[0], ()) for key in here}


def _with_files(
    result: night.NightResult, files: Sequence[InputFile], notices: Sequence[Notice]
) -> night.NightResult:
    """The result with what is to be said of files."""
    unused = tuple(file for file in files if not file.is_exposure)
    return replace(result, unused=unused, notices=(*worded(result.notices), *notices))


def equipment_of(
    known: RunResult | None, setup: Setup, exposures: Sequence[night.Exposure]
) -> tuple[night.Equipment, tuple[Notice, ...]]:
    """The telescope from a result, or from figures; filters without a sweep by their band."""
    names = sorted({e.filter for e in exposures})
    said: tuple[Notice, ...] = ()
    learnt = None if known is None else _learnt(known)
    if learnt is None:
        said = () if known is None else (notice("no_curves"),)
        return night.equipment_from_setup(setup, names), worded(said)
    if setup.telescope.focal_ratio is None or setup.camera.pixel_um is None:
        said = (notice("zone_from_curves"),)
    lacking = tuple(name for name in names if name not in learnt.shapes)
    if lacking:
        said = (*said, notice("filter_not_swept", lacking=lacking))
    some = next(iter(learnt.shapes.values()))
    shapes = dict(learnt.shapes)
    for name in lacking:
        wave = band_of(setup, name)
        shapes[name] = (some[0], *wave, *some[3:7], 0.0, *some[8:-3], 0.0, 0.0, 0.0)
    return replace(learnt, shapes=shapes), worded(said)


def _learnt(known: RunResult) -> night.Equipment | None:
    # The table of comparison lists NaN as None; the reference's own offset is exact.
    offsets = {
        row.filter: Estimate(float(row.offset_steps), float(row.offset_sigma_steps or 0.0))
        for row in known.comparison.rows
        if row.offset_steps is not None
    }
    equipment = night.equipment_from_fits(
        known.curves.fits,
        setup=known.setup,
        offset_steps=offsets,
        reference=known.comparison.reference,
        per_degC=known.comparison.temperature.steps_per_degC or NOT_KNOWN,
    )
    if equipment is None:
        return None
    best = {fit.curve.id: fit.best_steps for fit in known.curves.fits if fit.answered}
    swept = [
        _swept(frame, one.filter, best[one.id])
        for one in known.measured
        if one.id in best
        for frame in one.frames
        if math.isfinite(frame.radius80_px)
    ]
    return night.learn_shape(equipment, swept)


def _swept(frame: FrameRadius, name: str, best_steps: float) -> night.Exposure:
    """A frame of a sweep, its position counted from the sweep's own best focus."""
    one = night.exposure_of(frame)
    return replace(
        one,
        filter=name,
        position_steps=one.position_steps - best_steps,
        # The rest of it is shared by all frames, those of the night to be judged too.
        shape_sigma=SHARED * one.shape_sigma,
    )
