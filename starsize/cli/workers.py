"""The processes that measure frames. Imports nothing heavy: each of them loads this first."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any


@contextmanager
def workers(jobs: int | None) -> Iterator[Executor | None]:
    """Provide an executor for ``jobs`` processes; None (this process) for one."""
    count = jobs or os.cpu_count() or 1
    if count == 1:
        yield None
        return
    executor = _LastingPool(count)
    try:
        yield executor
    finally:
        executor.shutdown(cancel_futures=True)


class _LastingPool(Executor):
    """Processes, started when there is work; replaced, all of them, once one has died."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._pool: ProcessPoolExecutor | None = None

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Hand out a task, to new processes where the old ones are gone."""
        # They start with the first task: a night that was measured before needs none.
        self._pool = self._pool or self._started()
        try:
            return self._pool.submit(fn, *args, **kwargs)
        except BrokenExecutor:
            self._pool.shutdown(wait=False)
            self._pool = self._started()
            return self._pool.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes."""
        if self._pool is not None:
            self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)

    def _started(self) -> ProcessPoolExecutor:
        # Fresh processes on every system: a fork beside the progress line's thread can hang.
        context = multiprocessing.get_context("spawn")
        pool = ProcessPoolExecutor(self._count, mp_context=context, initializer=_prepare_worker)
        with interrupts_held():
            # Processes start with the first tasks, and inherit that Ctrl-C is not for them.
            for _ in range(self._count):
                pool.submit(os.getpid)
        return pool


def _prepare_worker() -> None:
    """Leave stopping to the first process, but do not outlive it."""
    # Ctrl-C reaches all processes of a terminal; only the first one is to say that it stops.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def interrupts_held() -> Iterator[None]:
    """Let Ctrl-C wait for a moment; only a main thread may, elsewhere nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    came: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _: came.append(number))
    # Blocked, not ignored: processes inherit either, but what is ignored is lost for us too.
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if hasattr(signal, "pthread_sigmask"):
            signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
        signal.signal(signal.SIGINT, before)
    if came:
        signal.raise_signal(signal.SIGINT)
