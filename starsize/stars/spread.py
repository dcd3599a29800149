"""Tasks handed out to workers, or done here one by one."""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor
from typing import TypeVar

from ..frames.calibration import Calibration

Task = TypeVar("Task")
Answer = TypeVar("Answer")
Progress = Callable[[int, int], None]


def spread(
    executor: Executor | None, work: Callable[[Task], Answer], tasks: Iterable[Task]
) -> Iterator[Answer]:
    """Do the tasks in order, here or wherever the executor takes them."""
    return map(work, tasks) if executor is None else executor.map(work, tasks)


def for_workers(
    calibration: Calibration | None, executor: Executor | None
) -> Calibration | tuple[tuple[str, str], ...] | None:
    """Master frames as they are, or for workers the files to read them from."""
    if calibration is None or calibration.is_empty:
        return None
    return calibration if executor is None else tuple(sorted(calibration.names.items()))


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
