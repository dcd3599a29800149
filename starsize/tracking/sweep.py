"""Frames measured alone; sweeps, and what the frames of a sweep tell each other."""

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..cache import Cache
from ..frames.calibration import Calibration
from ..frames.frame import FrameFacts, Sweep
from ..photometry import Known, star_table
from ..setup import Setup, given_setup
from .measured import FrameRadius, MeasuredSweep, StarTracks
from .tasks import Look, Progress, Task, channels_of, look_at
from .tracks import Aligned, better, known_stars, lay_out, recognise, tracks_of

if TYPE_CHECKING:  # takes long to load, and few runs need it
    from astropy.table import QTable


def measure_files(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> tuple[FrameRadius, ...]:
    """Measure frames one by one, each on its own stars; those in the cache are not measured again.

    One for each frame, in order; three (R, G, B) for a frame of a colour camera.
    """
    tasks = _tasks_of(facts_list, setup, calibration)
    looks = look_at(tasks, executor, cache, progress)
    return tuple(look.frame for of_frame in looks for look in _told_apart(of_frame))


def measure_files_and_stars(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
) -> tuple[tuple[FrameRadius, ...], "QTable"]:
    """Measure frames as `measure_files` does, to the last digit, and hand on their stars too.

    A row a star, frames and channels one below the other: ``file``, the columns of `measure_frame`,
    and ``channel`` (empty for a mono camera). A frame that cannot be read has no rows.
    """
    from astropy.table import QTable, vstack

    tasks = _tasks_of(facts_list, setup, calibration)
    tasks = [replace(task, all_stars=True) for task in tasks]
    frames, tables = [], []
    for look in (look for of_frame in look_at(tasks, executor) for look in _told_apart(of_frame)):
        table, frame = star_table(look.stars), look.frame
        table.add_column(np.full(len(table), frame.facts.path.name), name="file", index=0)
        table.add_column(np.full(len(table), frame.channel), name="channel")
        frames.append(frame)
        tables.append(table)
    return tuple(frames), vstack(tables) if tables else QTable()


def _tasks_of(
    facts: Sequence[FrameFacts], setup: Setup, calibration: Calibration | None
) -> list[Task]:
    camera = given_setup(setup).camera
    return [Task(one, channels_of(one, camera), camera, calibration) for one in facts]


def _told_apart(looks: tuple[Look, ...]) -> tuple[Look, ...]:
    """One look for each channel of a frame; one in all of a frame that cannot be read."""
    if looks[0].read:
        return looks
    return (replace(looks[0], frame=replace(looks[0].frame, channel="")),)


def measure_sweeps(
    sweeps: Sequence[Sweep],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    cache: Cache | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[MeasuredSweep, ...]:
    """Measure every frame of the sweeps.

    Each frame is measured alone, on its own stars, and takes part with what it shows. A frame
    much of which is in no other frame of its sweep is looked at once more, where these have their
    stars; it is left out only if it shows none of them, and hardly more than a speck. The same
    stars are then recognised through the sweep, and through the sweeps of the night (``tracks``).
    Memory does not grow with the size of the frames.

    Parameters
    ----------
    sweeps : sequence of Sweep
    setup : Setup
        Gain, ceiling and colour pattern of the camera, where they are known; else the frames'
        headers and the data themselves are asked.
    calibration : Calibration, optional
        Master frames to apply.
    cache : Cache, optional
        Where the measurement of each frame is kept; what is there already is not measured again.
    executor : concurrent.futures.Executor, optional
        Spreads the frames over its workers; None works in this process. The answers are the same
        to the last digit. A worker that dies costs one frame.
    progress : callable, optional
        Called with the number of frames done and the number in all.

    Returns
    -------
    tuple of MeasuredSweep
        One for each sweep, in order; three (R, G, B) for a sweep of a colour camera.

    Raises
    ------
    InputError
        If a calibration frame does not fit the frames.

    Notes
    -----
    Accuracy: scripts/star_accuracy.py; cost: scripts/bench/bench_stars.py.

    Examples
    --------
    >>> from starsize import find_sweeps, list_frames
    >>> sweeps, notices = find_sweeps(list_frames(["my-night"]))  # doctest: +SKIP
    >>> measure_sweeps(sweeps)[0]  # doctest: +SKIP
    <MeasuredSweep L-1 (L): 11 of 11 frames measured>
    """
    camera = given_setup(setup).camera
    tasks = _tasks_of([facts for one in sweeps for facts in one.frames], setup, calibration)
    looks = look_at(tasks, executor, cache, progress)
    names: list[tuple[Sweep, str]] = []
    told: list[_Told] = []
    waiting: dict[int, tuple[tuple[Look, ...], list[Known | None]]] = {}
    for sweep in sweeps:
        runs = zip(*islice(looks, len(sweep.frames)), strict=True)
        for channel, run in zip(channels_of(sweep.frames[0], camera), runs, strict=True):
            laid = lay_out(run)
            hints = known_stars(run, laid)
            if any(hint is not None for hint in hints):
                waiting[len(told)] = run, hints
            names.append((sweep, channel))
            told.append(_told(run, laid))
    known = {
        _key(look): hint
        for run, hints in waiting.values()
        for look, hint in zip(run, hints, strict=True)
        if hint is not None
    }
    # Second looks are no frames: the count of the first pass stands.
    again = look_at(_hinted(tasks, known), executor, cache)
    second = {_key(look): look for looks in again for look in looks}
    for k, (run, hints) in waiting.items():
        mended = tuple(
            look if hint is None else better(look, second[_key(look)], hint)
            for look, hint in zip(run, hints, strict=True)
        )
        told[k] = _told(mended, lay_out(mended))
    shown = [one.frames[one.first] for one in told]
    tracks = recognise(
        [one.tracks for one in told], [f.facts for f in shown], [f.radius_px for f in shown]
    )
    return tuple(
        MeasuredSweep(
            id=f"{sweep.id}-{channel}" if channel else sweep.id,
            filter=channel or sweep.filter,
            sweep=sweep,
            frames=one.frames,
            tracks=track,
        )
        for (sweep, channel), one, track in zip(names, told, tracks, strict=True)
    )


class _Told(NamedTuple):
    """What is kept of the looks at a sweep: their tables of stars would fill the memory."""

    frames: tuple[FrameRadius, ...]
    tracks: StarTracks
    first: int


def _told(run: Sequence[Look], laid: Aligned) -> _Told:
    return _Told(tuple(look.frame for look in run), tracks_of(run, laid), laid.first)


def _key(look: Look) -> tuple[Path, str]:
    return look.frame.facts.path, look.frame.channel


def _hinted(tasks: Sequence[Task], hints: Mapping[tuple[Path, str], Known]) -> list[Task]:
    """Tasks of second looks: a frame is read once for all of its channels."""
    own = [
        {c: hints[task.facts.path, c] for c in task.channels if (task.facts.path, c) in hints}
        for task in tasks
    ]
    return [
        replace(task, channels=tuple(known), hints=tuple(known.values()))
        for task, known in zip(tasks, own, strict=True)
        if known
    ]
