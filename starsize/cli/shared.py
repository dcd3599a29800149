"""What the verbs share: the equipment, the progress line, JSON."""

import argparse
import json
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import TypeVar

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)

from ..cache import Cache
from ..errors import printable
from ..frames import Calibration, load_calibration, load_setup
from ..setup import Setup
from .cluster import cluster
from .workers import workers

_Found = TypeVar("_Found")


def setup_of(arguments: argparse.Namespace) -> Setup:
    """Read the setup file, or know nothing."""
    return load_setup(arguments.setup) if arguments.setup else Setup()


def calibration_of(arguments: argparse.Namespace) -> Calibration | None:
    """Read the master frames, if any were named."""
    masters = (arguments.dark, arguments.flat, arguments.bias)
    return load_calibration(*masters) if any(masters) else None


CACHE_FILE = "measured.sqlite"
"""Where measurements are kept in a folder of results."""


@contextmanager
def kept_in(folder: Path) -> Iterator[Cache]:
    """What was measured before, in a folder of results; what was not asked for is dropped."""
    with Cache(folder / CACHE_FILE) as cache:
        yield cache
        cache.forget_unasked()
    if cache.trouble:
        print(printable(f"starsize: {cache.trouble}"), file=sys.stderr)


def exit_status(measured: Sequence[bool]) -> int:
    """0 all measured, 3 some not, 4 none."""
    if all(measured) and measured:
        return 0
    return 3 if any(measured) else 4


def executor_of(arguments: argparse.Namespace) -> AbstractContextManager[Executor | None]:
    """Processes of this machine, or the cluster that was named."""
    if not arguments.cluster:
        return workers(arguments.jobs)
    masters = filter(None, (arguments.dark, arguments.flat, arguments.bias))
    return cluster(arguments.cluster, [*arguments.frames, *masters])


@contextmanager
def progress_line(
    word: str, *, quiet: bool, counted: bool = True
) -> Iterator[Callable[[int, int], None] | None]:
    """Show how many frames are done on stderr, where a person is looking; or that work goes on."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    told = (MofNCompleteColumn(), TimeRemainingColumn()) if counted else (TimeElapsedColumn(),)
    columns = (TextColumn(word), BarColumn(), *told)
    with Progress(*columns, console=Console(stderr=True), transient=True) as line:
        task = line.add_task(word, total=None)
        yield lambda done, total: line.update(task, completed=done, total=total)


def print_line(text: str) -> None:
    """Print a line; what the terminal cannot show, or obeys, becomes a question mark."""
    encoding = sys.stdout.encoding or "utf-8"
    text = "\n".join(map(printable, text.split("\n")))
    print(text.encode(encoding, "replace").decode(encoding))


def show(
    arguments: argparse.Namespace,
    found: _Found,
    document: Callable[[_Found], object],
    show_it: Callable[[_Found], None],
    written: Iterable[str],
) -> None:
    """Print what was found as JSON or for people, and what was written; nothing where quiet."""
    if arguments.json:
        print_json(document(found))
    elif not arguments.quiet:
        show_it(found)
        print_line(f"\nwritten to {arguments.out}: {', '.join(written)}")


def print_json(document: object) -> None:
    """Print a document as JSON; a number that is not known must be null already."""
    print(json.dumps(document, indent=1, allow_nan=False))
