"""Frames that were measured before: known by their content, not by their name."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from ..cache import Cache
from ..frames.pixels import content_digest
from ..plain import digest
from .tasks import Look, Task

Answers = Iterator[tuple[Look, ...]]


def remembered(
    cache: Cache | None, measure: Callable[[Sequence[Task]], Answers], tasks: Sequence[Task]
) -> Answers:
    """Yield the answer of each task, in order; only those that are not in the cache are measured.

    A frame that could not be read is not kept: the next run tries it again.
    """
    if cache is None:
        yield from measure(tasks)
        return
    keys = _keys(tasks)
    known = [cache.get(key) for key in keys]
    new = measure([task for task, answer in zip(tasks, known, strict=True) if answer is None])
    for k, (key, task) in enumerate(zip(keys, tasks, strict=True)):
        answer = known[k]
        if answer is None:
            answer = next(new)
            if all(look.read for look in answer):
                cache.put(key, answer)
        known[k] = None  # answers of a long night need not all stay in memory
        yield tuple(_of_file(look, task) for look in answer)


def _keys(tasks: Sequence[Task]) -> list[str]:
    """What the answers of tasks depend on: content of the file, facts, settings, master frames."""
    masters: dict[int, str] = {}
    keys = []
    for task in tasks:
        name = id(task.calibration)
        if name not in masters:
            masters[name] = digest(task.calibration)
        nameless = replace(task, facts=replace(task.facts, path=Path()), calibration=None)
        keys.append(digest(content_digest(task.facts.path), nameless, masters[name]))
    return keys


def _of_file(look: Look, task: Task) -> Look:
    """The look under the name that the file has today."""
    return replace(look, frame=replace(look.frame, facts=task.facts))
