"""Frames measured alone; sweeps, and what the frames of a sweep tell each other."""

from collections.abc import Iterable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from ..cache import Cache
from ..frames.calibration import Calibration
from ..frames.frame import FrameFacts, Sweep
from ..photometry import Known, StarFlag, star_table
from ..photometry.judge import SAME_LIGHT
from ..setup import Setup, given_setup
from .align import FEWEST, nearest
from .colour import channels_of
from .measured import FrameRadius, MeasuredSweep, StarTracks
from .spread import Progress, look_at
from .tasks import Look, Task
from .tracks import Aligned, known_stars, lay_out, places_of, reach, recognise, tracks_of
from .words import OTHER_STARS

if TYPE_CHECKING:  # takes long to load, and few runs need it
    from astropy.table import QTable

#: A star that gives the light it is known to give may be faint, cut by the edge, or touch others.
_LESSER = int(StarFlag.BLENDED | StarFlag.FAINT | StarFlag.EDGE)
#: What is known of a frame though its radius is not.
_NO_RADIUS = ("facts", "channel", "n_found", "background_adu", "background_rms_adu", "light_adu")


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

    Returns
    -------
    tuple of FrameRadius
        One for each frame, in order; three (R, G, B) for a frame of a colour camera.
    """
    tasks = _tasks_of(facts_list, setup, calibration)
    looks = _one_by_one(look_at(tasks, executor, cache, progress))
    return tuple(look.frame for look in looks)


def measure_files_and_stars(
    facts_list: Sequence[FrameFacts],
    *,
    setup: Setup = Setup(),  # noqa: B008 -- frozen, so it can be shared
    calibration: Calibration | None = None,
    executor: Executor | None = None,
) -> tuple[tuple[FrameRadius, ...], "QTable"]:
    """Measure frames one by one, and hand on their stars too.

    Returns
    -------
    frames : tuple of FrameRadius
        What `measure_files` returns for these frames, to the last digit.
    stars : QTable
        One row a star, frames and channels one below the other: ``file``, the columns of
        `measure_frame`, and ``channel`` (empty for a mono camera). A frame that cannot be read has
        no rows.
    """
    from astropy.table import QTable, vstack

    tasks = _tasks_of(facts_list, setup, calibration)
    tasks = [replace(task, all_stars=True) for task in tasks]
    looks = _one_by_one(look_at(tasks, executor))
    tables = [_rows(look) for look in looks]
    return tuple(look.frame for look in looks), vstack(tables) if tables else QTable()


def _tasks_of(
    facts: Sequence[FrameFacts], setup: Setup, calibration: Calibration | None
) -> list[Task]:
    camera = given_setup(setup).camera
    return [Task(one, channels_of(one, camera), camera, calibration) for one in facts]


def _one_by_one(frames: Iterable[tuple[Look, ...]]) -> list[Look]:
    """One look for each channel of each frame; one in all of a frame that cannot be read."""
    found: list[Look] = []
    for looks in frames:
        if looks[0].read:
            found += looks
        else:
            found.append(replace(looks[0], frame=replace(looks[0].frame, channel="")))
    return found


def _rows(look: Look) -> "QTable":
    table = star_table(look.stars)
    table.add_column(np.full(len(table), look.frame.facts.path.name), name="file", index=0)
    table.add_column(np.full(len(table), look.frame.channel), name="channel")
    return table


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
    tasks = _tasks_of([facts for one in sweeps for facts in one.frames], setup, calibration)
    looks = look_at(tasks, executor, cache, progress)
    names: list[tuple[Sweep, str]] = []
    told: list[_Told] = []
    waiting: dict[int, tuple[list[Look], list[Known | None]]] = {}
    again: list[Task] = []
    for sweep in sweeps:
        channels = channels_of(sweep.frames[0], setup.camera)
        runs = zip(*islice(looks, len(sweep.frames)), strict=True)
        doubtful: list[dict[str, Known]] = [{} for _ in sweep.frames]
        for channel, run in zip(channels, runs, strict=True):
            hints = known_stars(run, laid := lay_out(run))
            if any(hints):
                waiting[len(told)] = list(run), hints
            for frame, hint in zip(doubtful, hints, strict=True):
                frame |= {channel: hint} if hint else {}
            names.append((sweep, channel))
            told.append(_told(run, laid))
        for task, own in zip(_tasks_of(sweep.frames, setup, calibration), doubtful, strict=True):
            if own:
                again.append(replace(task, channels=tuple(own), hints=tuple(own.values())))
    # Second looks are no frames: the count of the first pass stands.
    seconds = {_key(look): look for looks in look_at(again, executor, cache) for look in looks}
    for k, (looked, hints) in waiting.items():
        better = [
            _better(look, seconds[_key(look)], hint) if hint else look
            for look, hint in zip(looked, hints, strict=True)
        ]
        told[k] = _told(better, lay_out(better))
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


def _key(look: Look) -> tuple[Path, str]:
    return look.frame.facts.path, look.frame.channel


class _Told(NamedTuple):
    """What is kept of the looks at a sweep: their tables of stars would fill the memory."""

    frames: tuple[FrameRadius, ...]
    tracks: StarTracks
    first: int


def _told(run: Sequence[Look], laid: Aligned) -> _Told:
    return _Told(tuple(look.frame for look in run), tracks_of(run, laid), laid.first)


def _better(first: Look, second: Look, hint: Known) -> Look:
    """The second look, which knows more, if its stars give the light they are known to give.

    They may give less, through cloud, where the first look saw none of them; neither look tells
    anything where the second sees none either, and the first hardly more than a speck.
    """
    if not second.read:
        return first
    own, flags = first.stars.flags == 0, second.stars.flags
    good = flags & ~_LESSER == 0
    near = reach(first.frame.radius_px, hint.radius_px)
    lost = len(nearest(places_of(first)[own], hint.places @ [1, 1j], near)[0]) == 0
    if good.any():
        share = float(np.median(second.stars.flux[good] / hint.light_adu[good]))
        clear = np.any(good & (flags & StarFlag.FAINT == 0))
        if (0 if lost and clear else 1 / SAME_LIGHT) < share < SAME_LIGHT:
            return second
    speck = first.frame.reason is None and lost and own.sum() < FEWEST
    if not (speck and np.all(flags & int(StarFlag.FAINT | StarFlag.UNMEASURED))):
        return first
    same = {name: getattr(first.frame, name) for name in _NO_RADIUS}
    return replace(first, frame=FrameRadius(**same, reason=OTHER_STARS))
