"""Frames looked at, here or by workers; those seen before are known by their content, not name."""

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path

from ..cache import Cache
from ..frames.pixels import content_digest
from ..plain import digest
from .spread import spread
from .tasks import Look, Task, measure_task, unmeasured

Progress = Callable[[int, int], None]


def look_at(
    tasks: Sequence[Task],
    executor: Executor | None,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> list[tuple[Look, ...]]:
    """Carry out tasks, in order; what the cache has is not measured again.

    A frame that could not be read is not kept: the next run tries it again.
    """
    keys = [""] * len(tasks) if cache is None else _keys(tasks)
    known = [cache and cache.get(key) for key in keys]
    new = spread(
        executor,
        measure_task,
        [task for task, answer in zip(tasks, known, strict=True) if answer is None],
        lost=unmeasured,
    )
    looks: list[tuple[Look, ...]] = []
    for key, task, answer in zip(keys, tasks, known, strict=True):
        if answer is None:
            answer = next(new)
            if cache is not None and all(look.read for look in answer):
                cache.put(key, answer)
        # Under the name that the file has today.
        looks.append(
            tuple(replace(look, frame=replace(look.frame, facts=task.facts)) for look in answer)
        )
        if progress is not None:
            progress(len(looks), len(tasks))
    return looks


def _keys(tasks: Sequence[Task]) -> list[str]:
    """What the answers of tasks depend on: content of the file, facts, settings, master frames."""
    masters = digest([task.calibration for task in tasks[:1]])  # the same for all
    nameless = (replace(t, facts=replace(t.facts, path=Path()), calibration=None) for t in tasks)
    files = (content_digest(task.facts.path) for task in tasks)
    return [digest(*parts, masters) for parts in zip(files, nameless, strict=True)]
