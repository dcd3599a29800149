"""Frames measured by the workers of a cluster (dask.distributed, an extra)."""

import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any, Final

from ..cache import code_version
from ..errors import InputError

_PATIENCE_S: Final = 10.0


@contextmanager
def cluster(address: str, paths: Sequence[Path]) -> Iterator[Executor]:
    """An executor whose tasks are done by the workers of a cluster, which have to see ``paths``.

    ``InputError`` if the extra is not installed, nobody answers, or the workers have other code
    than this process, so that answers could differ.
    """
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
        _check_workers(client, address, paths)
        yield _Cluster(client)


def _check_workers(client: Any, address: str, paths: Sequence[Path]) -> None:
    versions = list(client.run(code_version, on_error="return").values())
    if not versions:
        raise InputError(f"--cluster {address}: the scheduler has no workers; start some")
    if others := sum(one != code_version() for one in versions):
        raise InputError(
            f"--cluster {address}: {others} of {len(versions)} workers have no starsize, or not "
            "the same as here; install the same versions of it, Python and all packages there"
        )
    for path in paths:
        if not all(client.run(os.path.exists, str(path)).values()):
            raise InputError(f"{path}: not seen by all workers; put it on a disk that they share")


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
