"""Tasks handed out to workers, or done here one by one."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import suppress
from multiprocessing import get_context
from typing import TypeVar

Task = TypeVar("Task")
Answer = TypeVar("Answer")


def spread(
    executor: Executor | None,
    work: Callable[[Task], Answer],
    tasks: Sequence[Task],
    *,
    lost: Callable[[Task], Answer],
) -> Iterator[Answer]:
    """Yield the answers in the order of the tasks, worked out here or by the executor.

    A worker that dies takes with it what others of its pool were at. The first task that has no
    answer then is tried once more by a process of its own; if that dies too, ``lost`` says what
    stands for its answer. All others are handed out again.
    """
    if executor is None:
        yield from map(work, tasks)
        return
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


def _handed_out(executor: Executor, work: Callable[[Task], Answer], task: Task) -> Future[Answer]:
    """The future of a task; to a pool that takes no more, it comes back as broken."""
    try:
        return executor.submit(work, task)
    except BrokenExecutor as error:
        refused: Future[Answer] = Future()
        refused.set_exception(error)
        return refused


def _alone(work: Callable[[Task], Answer], task: Task, lost: Callable[[Task], Answer]) -> Answer:
    own = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
    with own, suppress(BrokenExecutor):
        return own.submit(work, task).result()
    return lost(task)
