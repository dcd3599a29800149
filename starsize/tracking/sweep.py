"""Sweeps measured: every frame alone, then what the frames of a sweep tell each other."""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from functools import partial
from math import isfinite, log

import numpy as np

from ..cache import Cache
from ..frames.calibration import Calibration
from ..frames.frame import Sweep
from ..setup import Setup
from .colour import channels_of
from .expected import contradicts, expected_radii
from .measured import MeasuredSweep
from .remembered import remembered
from .spread import Counter, Progress, spread
from .tasks import Hint, Look, Task, measure_task, unmeasured
from .tracks import follow, known_places, recognise

#: A frame is looked at again where so much of what it shows is in no other frame.
_STRANGERS = 0.4


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
    whose answer is not like those of its sweep's others, or that shows no star, is looked at once
    more with what they lead one to expect; no frame is left out because of another. The
    same stars are then recognised through the sweep, and through the sweeps of the night
    (``tracks``). Memory does not grow with the size of the frames.

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
        Spreads the frames over its workers, which hand back small tables only; None works in
        this process. The answers are the same to the last digit. A worker that dies costs one
        frame.
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
    told = Counter(progress, len(tasks))
    measure = partial(spread, executor, measure_task, lost=unmeasured)
    looks = list(told(remembered(cache, measure, tasks)))
    doubtful = _doubtful(runs, tasks, looks)
    # Second looks are no frames: the count of the first pass stands.
    again = remembered(cache, measure, list(doubtful.values()))
    for k, second in zip(doubtful, again, strict=True):
        looks[k] = tuple(map(_better, looks[k], second, doubtful[k].hints))
    return _side_by_side(runs, looks)


@dataclass(frozen=True, slots=True)
class _Run:
    """One channel of a sweep: which of all tasks are its frames, and which of their channels."""

    sweep: Sweep
    channel: int
    name: str
    frames: range


def _tasks(
    sweeps: Sequence[Sweep], setup: Setup, calibration: Calibration | None
) -> tuple[list[Task], list[_Run]]:
    tasks: list[Task] = []
    runs = []
    for sweep in sweeps:
        frames = range(len(tasks), len(tasks) + len(sweep.frames))
        channels = channels_of(sweep.frames[0], setup.camera)
        runs += [_Run(sweep, c, name, frames) for c, name in enumerate(channels)]
        tasks += [Task(facts, channels, setup.camera, calibration) for facts in sweep.frames]
    return tasks, runs


def _doubtful(
    runs: Sequence[_Run], tasks: Sequence[Task], looks: Sequence[tuple[Look, ...]]
) -> dict[int, Task]:
    """Frames to be looked at once more, with what is expected of them."""
    hints: dict[int, list[Hint]] = {}
    for run in runs:
        mine = [looks[k][run.channel] for k in run.frames]
        seen = [look.frame for look in mine]
        radius = np.array([f.radius_px for f in seen])
        expected = expected_radii(np.array([f.facts.position_steps for f in seen], float), radius)
        strange = contradicts(radius, expected)
        for k, look in zip(run.frames, mine, strict=True):
            places, strangers = known_places(mine, k - run.frames[0])
            wanted = float(expected[k - run.frames[0]])
            doubt = strange[k - run.frames[0]] or strangers > _STRANGERS
            if look.read and doubt and isfinite(wanted):
                of_frame = hints.setdefault(k, [Hint()] * len(tasks[k].channels))
                of_frame[run.channel] = Hint(wanted, places)
    return {k: replace(tasks[k], hints=tuple(hints[k])) for k in sorted(hints)}


def _better(first: Look, second: Look, hint: Hint) -> Look:
    """The second look, which knows more, unless the first is nearer to what is expected of it."""
    wanted = hint.expected_px or first.frame.radius_px
    off = [abs(log(look.frame.radius_px / wanted)) for look in (first, second)]
    as_expected = not contradicts(np.array(second.frame.radius_px), np.array(wanted))
    return second if as_expected or off[1] < off[0] or not off[0] >= 0 else first


def _side_by_side(
    runs: Sequence[_Run], looks: Sequence[tuple[Look, ...]]
) -> tuple[MeasuredSweep, ...]:
    """Recognise the stars, and put the frames of each sweep together."""
    seen = [[looks[k][run.channel] for k in run.frames] for run in runs]
    followed = [follow(frames) for frames in seen]
    shown = [frames[best].frame for frames, (best, _) in zip(seen, followed, strict=True)]
    tracks = recognise(
        [t for _, t in followed], [f.facts for f in shown], [f.radius_px for f in shown]
    )
    return tuple(
        MeasuredSweep(
            id=f"{run.sweep.id}-{run.name}" if run.name else run.sweep.id,
            filter=run.name or run.sweep.filter,
            sweep=run.sweep,
            frames=tuple(look.frame for look in frames),
            tracks=track,
        )
        for run, frames, track in zip(runs, seen, tracks, strict=True)
    )
