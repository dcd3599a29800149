"""Who measures frames: processes of this machine, or the workers of a cluster.

Imports nothing heavy: each process loads this first.
"""

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Final

from ..errors import InputError

_PATIENCE_S: Final = 10.0


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
    """Processes, started as there is work; replaced, all of them, once one has died."""

    def __init__(self, count: int) -> None:
        # Fresh processes on every system: a fork beside the progress line's thread can hang.
        context = multiprocessing.get_context("spawn")
        self._new = partial(ProcessPoolExecutor, count, context, _prepare_worker)
        self._pool = self._new()

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Hand out a task, to new processes where the old ones are gone."""
        with interrupts_held():  # a process that starts with it inherits that Ctrl-C is not for it
            try:
                return self._pool.submit(fn, *args, **kwargs)
            except BrokenExecutor:
                self._pool.shutdown(wait=False)
                self._pool = self._new()
                return self._pool.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the processes."""
        self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)


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
    masked = getattr(signal, "pthread_sigmask", lambda *_: None)  # not on Windows
    masked(getattr(signal, "SIG_BLOCK", 0), {signal.SIGINT})
    try:
        yield
    finally:
        masked(getattr(signal, "SIG_UNBLOCK", 0), {signal.SIGINT})
        signal.signal(signal.SIGINT, before)
    if came:
        signal.raise_signal(signal.SIGINT)


@contextmanager
def cluster(address: str, paths: Sequence[Path]) -> Iterator[Executor]:
    """An executor whose tasks are done by the workers of a cluster, which have to see ``paths``.

    ``InputError`` if the extra is not installed, nobody answers, or the workers have other code
    than this process, so that answers could differ.
    """
    from ..cache import code_version  # brings numpy along

    try:
        from distributed import Client
    except ImportError as error:
        msg = "--cluster needs dask.distributed: pip install 'starsize[cluster]'"
        raise InputError(msg) from error
    try:
        client = Client(address, timeout=_PATIENCE_S, set_as_default=False)
    except (OSError, ValueError) as error:
        msg = f"--cluster {address}: no scheduler answers there; is the address right?"
        raise InputError(msg) from error
    with client:
        versions = list(client.run(code_version, on_error="return").values())
        if not versions:
            raise InputError(f"--cluster {address}: the scheduler has no workers; start some")
        if others := sum(one != code_version() for one in versions):
            raise InputError(
                f"--cluster {address}: {others} of {len(versions)} workers have no starsize, or "
                "not the same as here; install the same versions of it, Python and all packages "
                "there"
            )
        for path in paths:
            if not all(client.run(os.path.exists, str(path)).values()):
                msg = f"{path}: not seen by all workers; put it on a disk that they share"
                raise InputError(msg)
        yield _Cluster(client)


class _Cluster(Executor):
    """A client of dask.distributed that says of a dead worker what Python's own pools say."""

    def __init__(self, client: Any) -> None:
        self._client = client

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Hand out a task."""
        # Not pure: the same path may hold another file today than when it was last asked.
        task = self._client.submit(fn, *args, **kwargs, pure=False)
        answer: Future[Any] = Future()
        task.add_done_callback(partial(_hand_on, answer=answer))
        answer.task = task  # type: ignore[attr-defined]  # the cluster drops what nobody holds
        return answer


def _hand_on(task: Any, answer: Future[Any]) -> None:
    from distributed import KilledWorker

    try:
        answer.set_result(task.result())
    except (KilledWorker, CancelledError) as error:
        answer.set_exception(BrokenExecutor(str(error)))
    except Exception as error:
        answer.set_exception(error)
