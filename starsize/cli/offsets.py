"""``starsize offsets``: the main job; with --watch while the night is still being captured."""

import argparse
from collections import Counter
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final, NamedTuple, TypeAlias

import numpy as np

from .. import reports
from ..errors import InputError
from ..frames import Sweep, find_sweeps, list_frames
from ..frames.header import has_frame_ending
from ..frames.tables import PlannedExposure, read_plan
from ..frames.walk import follow_folders, frame_files
from ..pipeline import find_reference, measure_offsets
from ..reports.folder import keep_apart
from ..reports.stored import StoredRun, opened
from ..reports.terminal import sweep_line
from ..setup import Setup
from . import shared

#: A sweep that nothing follows is over after this many of its usual intervals without a frame ...
_INTERVALS: Final = 4.0
#: ... but not sooner than this.
_LEAST_QUIET_S: Final = 45.0
#: All sweeps were taken, some are to be repeated, and for so long nobody did.
_GIVEN_UP_S: Final = 900.0

Paths: TypeAlias = Sequence[Path | StoredRun]
#: Measure folders, files and stored runs from the given reference, and write the results.
Measure: TypeAlias = Callable[[Paths, str | None], reports.RunResult]


def run(arguments: argparse.Namespace) -> int:
    """Measure, write the results, show them; hand back the exit status."""
    if arguments.plan and not arguments.watch:
        raise InputError("--plan says when --watch may stop; give both")
    # Before the frames are measured: a person should not wait to hear that there is no place.
    shared.check_place(arguments)
    given = [opened(path) for path in arguments.frames]
    keep_apart(arguments.out, [f for run in given if isinstance(run, StoredRun) for f in run.files])
    setup, calibration = shared.setup_of(arguments), shared.calibration_of(arguments)
    quiet = arguments.quiet or arguments.json

    def measure(paths: Paths, reference: str | None) -> reports.RunResult:
        with shared.progress_line("measuring frames", quiet=quiet) as progress:
            result = measure_offsets(
                paths, setup=setup, reference=reference, facts_csv=arguments.facts,
                calibration=calibration, cache=cache, executor=executor, progress=progress,
            )  # fmt: skip
        reports.write_results(result, arguments.out, overwrite=arguments.overwrite, cache=cache)
        return result

    with shared.kept_in(arguments.out) as cache, shared.executor_of(arguments) as executor:
        if arguments.watch:
            result = _watch(arguments, given, setup, measure)
        else:
            result = measure(given, arguments.reference)
    shared.show(arguments, result)
    return shared.exit_status([row.status == "measured" for row in result.comparison.rows])


def _watch(
    arguments: argparse.Namespace, given: Paths, setup: Setup, measure: Measure
) -> reports.RunResult:
    """Follow the folders; after each sweep measure, write and say one line. Return the last result.

    Ends when all planned sweeps are in, by Ctrl-C, or where nobody repeats what ought to be.
    """
    folders = [path for path in given if isinstance(path, Path) and path.is_dir()]
    others = [one for one in given if one not in folders]
    shared.say(arguments, f"watching {', '.join(map(str, folders))}; Ctrl-C ends it")
    skip = (arguments.out,)
    plan = read_plan(arguments.plan, aliases=setup.aliases) if arguments.plan else ()
    told: set[tuple[Path, ...]] = set()
    refused: set[tuple[Path, ...]] = set()
    result: reports.RunResult | None = None
    with suppress(KeyboardInterrupt):
        for quiet_s in follow_folders(folders, skip=skip):
            if not any(frame_files(folders, skip)):
                continue
            listed = list_frames(folders, setup=setup, facts_csv=arguments.facts, skip=skip)
            files = [file for file in listed if has_frame_ending(file.path)]
            sweeps, _ = find_sweeps(files, outward=setup.focuser.outward)
            standing = how_far(sweeps, plan, quiet_s, refused)
            if new := [sweep for sweep in standing.over if frames_of(sweep) not in told]:
                # Without the sweep that is being taken: half of it would be refused.
                running = {path for sweep in standing.running for path in frames_of(sweep)}
                paths = [file.path for file in files if file.path not in running]
                reference = None  # until there is a sweep of the one asked for
                with suppress(InputError):
                    reference = find_reference(arguments.reference, sweeps, setup=setup)
                result = measure([*paths, *others], arguments.reference and reference)
                told |= {frames_of(sweep) for sweep in new}
                pairs = zip(result.measured, result.curves.fits, strict=True)
                refused |= {frames_of(one.sweep) for one, fit in pairs if not fit.answered}
                standing = how_far(sweeps, plan, quiet_s, refused)
                for sweep in new:
                    line = sweep_line(result, sweep.id, to_come=standing.to_come)
                    shared.say(arguments, line)
            given_up = quiet_s > _GIVEN_UP_S and not how_far(sweeps, plan, quiet_s).to_come
            if result is not None and plan and (given_up or not standing.to_come):
                break
    if result is None:
        raise KeyboardInterrupt
    return result


class Standing(NamedTuple):
    """How far the capture has come; ``to_come`` are filters of planned sweeps, not over yet."""

    over: tuple[Sweep, ...]
    running: tuple[Sweep, ...]
    to_come: tuple[str, ...]


def how_far(
    sweeps: Sequence[Sweep],
    plan: Sequence[PlannedExposure],
    quiet_s: float,
    refused: Collection[tuple[Path, ...]] = (),
) -> Standing:
    """Tell sweeps that are over from the one that is being taken; refused ones do not count."""
    left = list(Counter((one.sweep, one.filter) for one in plan).items())
    over: list[Sweep] = []
    running: list[Sweep] = []
    for sweep in sweeps:
        if len(sweep.frames) < 2:
            continue
        mine = None
        if frames_of(sweep) not in refused:
            mine = next((entry for entry in left if entry[0][1] == sweep.filter), None)
        is_full = mine is not None and len(sweep.frames) >= mine[1]
        done = is_full or _is_over(sweep, sweeps, quiet_s)
        (over if done else running).append(sweep)
        if done and mine is not None:
            left.remove(mine)
    return Standing(tuple(over), tuple(running), tuple(name for (_, name), _ in left))


def frames_of(sweep: Sweep) -> tuple[Path, ...]:
    """What makes it the same sweep: its frames."""
    return tuple(frame.path for frame in sweep.frames)


def _is_over(sweep: Sweep, sweeps: Sequence[Sweep], quiet_s: float) -> bool:
    """Whether another sweep began after the last frame of this one, or no frame came for long."""
    times = [t for frame in sweep.frames if (t := frame.mid_time_mjd) is not None]
    starts = [one.frames[0].mid_time_mjd or 0.0 for one in sweeps if one is not sweep]
    usual_s = float(np.median(np.diff(times))) * 86400 if len(times) > 1 else 0.0
    followed = bool(times) and any(start > max(times) for start in starts)
    return followed or quiet_s >= max(_LEAST_QUIET_S, _INTERVALS * usual_s)
