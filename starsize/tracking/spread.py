"""Tasks handed out to workers, or done here one by one; what was done before is remembered."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import suppress
from dataclasses import replace
from itertools import repeat
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

from ..cache import Cache
from ..frames.pixels import content_digest
from ..plain import digest
from .tasks import Look, Task, measure_task, unmeasured

Job = TypeVar("Job")
Answer = TypeVar("Answer")
Progress = Callable[[int, int], None]


def look_at(
    tasks: Sequence[Task],
    executor: Executor | None,
    cache: Cache | None = None,
    progress: Progress | None = None,
) -> Iterator[tuple[Look, ...]]:
    """Carry out tasks, in order; what the cache has is not measured again.

    Frames are known by their content, not by their name. One that could not be read is not kept:
    the next run tries it again. Here each answer is worked out when it is asked for; an executor
    is given all tasks at once.
    """
    keys = repeat("", len(tasks)) if cache is None else _keys(tasks)
    known: Iterable[tuple[str, Any]]
    known = ((key, None if cache is None else cache.get(key)) for key in keys)
    if executor is not None:
        known = list(known)
        todo = [task for task, (_, answer) in zip(tasks, known, strict=True) if answer is None]
        new = spread(executor, measure_task, todo, lost=unmeasured)
    for done, (task, (key, answer)) in enumerate(zip(tasks, known, strict=True), 1):
        if answer is None:
            answer = measure_task(task) if executor is None else next(new)
            if cache is not None and all(look.read for look in answer):
                cache.put(key, answer)
        if progress is not None:
            progress(done, len(tasks))
        # Under the name that the file has today.
        yield tuple(replace(look, frame=replace(look.frame, facts=task.facts)) for look in answer)


def _keys(tasks: Sequence[Task]) -> Iterator[str]:
    """What the answers of tasks depend on: content of the file, facts, settings, master frames."""
    masters = digest([task.calibration for task in tasks[:1]])  # the same for all
    for task in tasks:
        nameless = replace(task, facts=replace(task.facts, path=Path()), calibration=None)
        yield digest(content_digest(task.facts.path), nameless, masters)


def spread(
    executor: Executor,
    work: Callable[[Job], Answer],
    tasks: Sequence[Job],
    *,
    lost: Callable[[Job], Answer],
) -> Iterator[Answer]:
    """Yield the answers of an executor in the order of the tasks.

    A worker that dies takes with it what others of its pool were at. The first task that has no
    answer then is tried once more by a process of its own; if that dies too, ``lost`` says what
    stands for its answer. All others are handed out again.
    """
    waiting = [_handed_out(executor, work, task) for task in tasks]
    for k, task in enumerate(tasks):
        try:
            answer = waiting[k].result()
        except BrokenExecutor:
            answer = _alone(work, task, lost)
            for j, future in enumerate(waiting):
                if j > k and future.done() and isinstance(future.exception(), BrokenExecutor):
                    waiting[j] = _handed_out(executor, work, tasks[j])
        waiting[k] = Future()  # answers of a long night need not all stay in memory
        yield answer


def _handed_out(executor: Executor, work: Callable[[Job], Answer], task: Job) -> Future[Answer]:
    """The future of a task; to a pool that takes no more, it comes back as broken."""
    try:
        return executor.submit(work, task)
    except BrokenExecutor as error:
        refused: Future[Answer] = Future()
        refused.set_exception(error)
        return refused


def _alone(work: Callable[[Job], Answer], task: Job, lost: Callable[[Job], Answer]) -> Answer:
    own = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
    with own, suppress(BrokenExecutor):
        return own.submit(work, task).result()
    return lost(task)
