"""Tasks handed out to workers, or done here one by one."""

from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import suppress
from multiprocessing import get_context
from typing import TypeVar

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Progress = Callable[[int, int], None]


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
    waiting = _hand_out(executor, work, tasks)
    for k, task in enumerate(tasks):
        try:
            answer = waiting[k].result()
        except BrokenExecutor:
            answer = _alone(work, task, lost)
            left = [j for j in range(k + 1, len(tasks)) if _is_broken(waiting[j])]
            again = _hand_out(executor, work, [tasks[j] for j in left])
            for j, future in zip(left, again, strict=True):
                waiting[j] = future
        waiting[k] = Future()  # answers of a long night need not all stay in memory
        yield answer


def _hand_out(
    executor: Executor, work: Callable[[Task], Answer], tasks: Sequence[Task]
) -> list[Future[Answer]]:
    """Submit the tasks; to a pool that takes no more, each comes back as broken."""
    futures: list[Future[Answer]] = []
    for task in tasks:
        try:
            futures.append(executor.submit(work, task))
        except BrokenExecutor as error:
            futures.append(Future())
            futures[-1].set_exception(error)
    return futures


def _is_broken(future: Future[Answer]) -> bool:
    return future.done() and isinstance(future.exception(), BrokenExecutor)


def _alone(work: Callable[[Task], Answer], task: Task, lost: Callable[[Task], Answer]) -> Answer:
    own = ProcessPoolExecutor(1, mp_context=get_context("spawn"))
    with own, suppress(BrokenExecutor):
        return own.submit(work, task).result()
    return lost(task)


class Counter:
    """Tells the caller how far the work has come."""

    def __init__(self, progress: Progress | None, total: int) -> None:
        self.progress, self.total, self.done = progress, total, 0

    def __call__(self, answers: Iterator[Answer]) -> Iterator[Answer]:
        """Pass the answers on, counting them."""
        for answer in answers:
            self.done += 1
            if self.progress is not None:
                self.progress(self.done, self.total)
            yield answer
