"""``starsize offsets --watch``: the folder of a night that is still being captured."""

import argparse
from collections import Counter
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from ..errors import InputError
from ..frames import Sweep, find_sweeps, list_frames
from ..frames.follow import follow_folders, frame_files
from ..frames.header import has_frame_ending
from ..frames.plan_csv import PlannedExposure, read_plan
from ..pipeline import find_reference
from ..reports import RunResult
from ..reports.stored_run import is_result
from ..reports.sweep_line import sweep_line
from ..setup import Setup

#: A sweep that nothing follows is over after this many of its usual intervals without a frame ...
_INTERVALS = 4.0
#: ... but not sooner than this.
_LEAST_QUIET_S = 45.0

Measure = Callable[[Sequence[Path], str | None], RunResult]
"""Measure the given folders and files from the given reference, and write the results."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How far the capture has come."""

    over: tuple[Sweep, ...]
    running: tuple[Sweep, ...]
    to_come: tuple[str, ...]
    """Filters of the planned sweeps that are not over."""


def watch_sweeps(
    arguments: argparse.Namespace, setup: Setup, measure: Measure, say: Callable[[str], None]
) -> RunResult:
    """Follow the folders; after each sweep measure, write and say one line. Return the last result.

    Ends when all planned sweeps are in, or by Ctrl-C once there is a result.
    """
    folders = [path for path in arguments.frames if path.is_dir() and not is_result(path)]
    plan = read_plan(arguments.plan, aliases=setup.aliases) if arguments.plan else ()
    skip = (arguments.out,)
    told: set[tuple[Path, ...]] = set()
    result: RunResult | None = None
    with suppress(KeyboardInterrupt):
        for quiet_s in follow_folders(folders, skip=skip):
            if not any(frame_files(folders, skip)):
                continue
            files = [
                file
                for file in list_frames(folders, setup=setup, facts_csv=arguments.facts, skip=skip)
                if has_frame_ending(file.path)
            ]
            sweeps, _ = find_sweeps(files, outward=setup.focuser.outward)
            standing = how_far(sweeps, plan, quiet_s)
            new = [sweep for sweep in standing.over if _key(sweep) not in told]
            if new:
                # Without the sweep that is being taken: half of it would be refused.
                running = {f.path for s in standing.running for f in s.frames}
                paths = [f.path for f in files if f.path not in running]
                stored = [path for path in arguments.frames if path not in folders]
                result = measure([*paths, *stored], _reference_so_far(arguments, sweeps, setup))
                told |= {_key(sweep) for sweep in new}
                for sweep in new:
                    say(sweep_line(result, sweep.id, to_come=standing.to_come))
            if plan and not standing.to_come and result is not None:
                break
    if result is None:
        raise KeyboardInterrupt
    return result


def how_far(sweeps: Sequence[Sweep], plan: Sequence[PlannedExposure], quiet_s: float) -> Standing:
    """Tell sweeps that are over from the one that is being taken.

    A sweep is over when the next one has begun, when it has as many frames as were planned, or
    when no frame has come for long.
    """
    planned = Counter((one.sweep, one.filter) for one in plan)
    wanted: dict[str, list[int]] = {}
    for (_, name), frames in planned.items():
        wanted.setdefault(name, []).append(frames)
    over: list[Sweep] = []
    running: list[Sweep] = []
    found: Counter[str] = Counter()
    for sweep in sweeps:
        if len(sweep.frames) < 2:
            continue
        planned_frames = wanted.get(sweep.filter, [])[found[sweep.filter] :][:1]
        found[sweep.filter] += 1
        is_full = bool(planned_frames) and len(sweep.frames) >= planned_frames[0]
        done = is_full or _is_followed(sweep, sweeps) or quiet_s >= _patience_s(sweep)
        (over if done else running).append(sweep)
    left = Counter(name for _, name in planned)
    left.subtract(sweep.filter for sweep in over)
    return Standing(tuple(over), tuple(running), tuple((+left).elements()))


def _is_followed(sweep: Sweep, sweeps: Sequence[Sweep]) -> bool:
    """Whether another sweep began after the last frame of this one."""
    times = [frame.mid_time_mjd for frame in sweep.frames if frame.mid_time_mjd is not None]
    starts = [one.frames[0].mid_time_mjd for one in sweeps if one is not sweep]
    return bool(times) and any(start is not None and start > max(times) for start in starts)


def _patience_s(sweep: Sweep) -> float:
    times = [frame.mid_time_mjd for frame in sweep.frames if frame.mid_time_mjd is not None]
    usual = float(np.median(np.diff(times))) * 86400 if len(times) > 1 else 0.0
    return max(_LEAST_QUIET_S, _INTERVALS * usual)


def _reference_so_far(
    arguments: argparse.Namespace, sweeps: Sequence[Sweep], setup: Setup
) -> str | None:
    """The reference asked for, once there is a sweep of it."""
    if arguments.reference is None:
        return None
    with suppress(InputError):
        return find_reference(arguments.reference, sweeps, setup=setup)
    return None


def _key(sweep: Sweep) -> tuple[Path, ...]:
    return tuple(frame.path for frame in sweep.frames)


def check_call(arguments: argparse.Namespace) -> None:
    """Say at once what cannot go together."""
    if arguments.plan and not arguments.watch:
        msg = "--plan says when --watch may stop; give both"
        raise InputError(msg)
