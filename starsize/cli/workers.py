"""The processes that measure frames. Imports nothing heavy: each of them loads this first."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager


@contextmanager
def workers(jobs: int | None) -> Iterator[Executor | None]:
    """Provide an executor for ``jobs`` processes; None (this process) for one."""
    count = jobs or os.cpu_count() or 1
    if count == 1:
        yield None
        return
    # Fresh processes on every system: a fork beside the progress line's thread can hang.
    context = multiprocessing.get_context("spawn")
    executor = ProcessPoolExecutor(count, mp_context=context, initializer=_leave_stopping_to_parent)
    try:
        with _interrupts_ignored():
            # Processes start with the first tasks, and inherit that Ctrl-C is not for them.
            for _ in range(count):
                executor.submit(os.getpid)
        yield executor
    finally:
        executor.shutdown(cancel_futures=True)


def _leave_stopping_to_parent() -> None:
    """Ctrl-C reaches all processes of a terminal; only the first one is to say that it stops."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@contextmanager
def _interrupts_ignored() -> Iterator[None]:
    """Ignore Ctrl-C for a moment; only a main thread may, elsewhere nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
