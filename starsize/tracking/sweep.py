"""Frames measured alone; sweeps, and what the frames of a sweep tell each other."""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace

import numpy as np
from astropy.table import QTable, vstack

from ..cache import Cache
from ..frames.calibration import Calibration
from ..frames.frame import FrameFacts, Sweep
from ..photometry import StarFlag, star_table
from ..setup import Setup
from .align import FEWEST, nearest
from .colour import channels_of
from .measured import FrameRadius, MeasuredSweep
from .spread import Progress, look_at
from .tasks import Hint, Look, Task
from .tracks import (
    SAME_LIGHT,
    Aligned,
    known_stars,
    lay_out,
    places_of,
    reach,
    recognise,
    tracks_of,
)
from .words import OTHER_STARS

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
) -> tuple[tuple[FrameRadius, ...], QTable]:
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
    tasks = _tasks_of(facts_list, setup, calibration)
    tasks = [replace(task, all_stars=True) for task in tasks]
    looks = _one_by_one(look_at(tasks, executor))
    tables = [_rows(look) for look in looks]
    return tuple(look.frame for look in looks), vstack(tables) if tables else QTable()


def _tasks_of(
    facts: Sequence[FrameFacts], setup: Setup, calibration: Calibration | None
) -> list[Task]:
    camera = setup.camera
    return [Task(one, channels_of(one, camera), camera, calibration) for one in facts]


def _one_by_one(frames: Sequence[tuple[Look, ...]]) -> list[Look]:
    """One look for each channel of each frame; one in all of a frame that cannot be read."""
    found: list[Look] = []
    for looks in frames:
        if looks[0].read:
            found += looks
        else:
            found.append(replace(looks[0], frame=replace(looks[0].frame, channel="")))
    return found


def _rows(look: Look) -> QTable:
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
    tasks, runs = _tasks(sweeps, setup, calibration)
    looks = look_at(tasks, executor, cache, progress)
    laid = [lay_out(run.of(looks)) for run in runs]
    doubtful = _doubtful(runs, laid, tasks, looks)
    # Second looks are no frames: the count of the first pass stands.
    again = look_at(list(doubtful.values()), executor, cache)
    for (k, task), second in zip(doubtful.items(), again, strict=True):
        looks[k] = tuple(map(_better, looks[k], second, task.hints))
    own = [run.of(looks) for run in runs]
    for k, run in enumerate(runs):
        if not doubtful.keys().isdisjoint(run.frames):
            laid[k] = lay_out(own[k])
    shown = [one[field.first].frame for one, field in zip(own, laid, strict=True)]
    tracks = recognise(
        [tracks_of(one, field) for one, field in zip(own, laid, strict=True)],
        [f.facts for f in shown],
        [f.radius_px for f in shown],
    )
    return tuple(
        MeasuredSweep(
            id=f"{run.sweep.id}-{run.name}" if run.name else run.sweep.id,
            filter=run.name or run.sweep.filter,
            sweep=run.sweep,
            frames=tuple(look.frame for look in one),
            tracks=track,
        )
        for run, one, track in zip(runs, own, tracks, strict=True)
    )


@dataclass(frozen=True, slots=True)
class _Run:
    """One channel of a sweep: which of all tasks are its frames, and which of their channels."""

    sweep: Sweep
    channel: int
    name: str
    frames: range

    def of(self, looks: Sequence[tuple[Look, ...]]) -> list[Look]:
        """Return its looks among all."""
        return [looks[k][self.channel] for k in self.frames]


def _tasks(
    sweeps: Sequence[Sweep], setup: Setup, calibration: Calibration | None
) -> tuple[list[Task], list[_Run]]:
    tasks: list[Task] = []
    runs = []
    for sweep in sweeps:
        frames = range(len(tasks), len(tasks) + len(sweep.frames))
        channels = channels_of(sweep.frames[0], setup.camera)
        runs += [_Run(sweep, c, name, frames) for c, name in enumerate(channels)]
        tasks += _tasks_of(sweep.frames, setup, calibration)
    return tasks, runs


def _doubtful(
    runs: Sequence[_Run],
    laid: Sequence[Aligned],
    tasks: Sequence[Task],
    looks: Sequence[tuple[Look, ...]],
) -> dict[int, Task]:
    """Frames to be looked at once more, with what the others of their sweeps tell of them."""
    hints: dict[int, list[Hint | None]] = {}
    for run, field in zip(runs, laid, strict=True):
        for k, hint in zip(run.frames, known_stars(run.of(looks), field), strict=True):
            if hint is not None:
                hints.setdefault(k, [None] * len(looks[k]))[run.channel] = hint
    return {k: replace(tasks[k], hints=tuple(hints[k])) for k in sorted(hints)}


def _better(first: Look, second: Look, hint: Hint | None) -> Look:
    """The second look, which knows more, if its stars give the light they are known to give.

    They may give less, through cloud, where the first look saw none of them; neither look tells
    anything where the second sees none either, and the first hardly more than a speck.
    """
    if hint is None or not second.read:
        return first
    own, flags = first.stars.flags == 0, second.stars.flags
    good = flags == 0 if np.any(flags == 0) else flags == StarFlag.BLENDED
    near = reach(first.frame.radius_px, hint.radius_px)
    lost = len(nearest(places_of(first)[own], hint.places @ [1, 1j], near)[0]) == 0
    if not good.any():
        speck = first.frame.reason is None and lost and own.sum() < FEWEST
        gone = speck and _unseen(second)
        return replace(first, frame=_without_radius(first.frame)) if gone else first
    share = float(np.median(second.stars.flux[good] / hint.light_adu[good]))
    return second if (0 if lost else 1 / SAME_LIGHT) < share < SAME_LIGHT else first


def _unseen(look: Look) -> bool:
    return bool(np.all(look.stars.flags & int(StarFlag.FAINT | StarFlag.UNMEASURED)))


def _without_radius(frame: FrameRadius) -> FrameRadius:
    same = {name: getattr(frame, name) for name in _NO_RADIUS}
    return FrameRadius(**same, reason=OTHER_STARS)
