"""What the verbs share: the equipment, the progress line, JSON."""

import argparse
import json
import sys
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any, Final

from rich import progress
from rich.console import Console

from ..cache import Cache
from ..errors import printable
from ..frames import Calibration, load_calibration, load_setup
from ..setup import Setup
from .workers import cluster, workers

#: Where measurements are kept in a folder of results.
CACHE_FILE: Final = "measured.sqlite"


def setup_of(arguments: argparse.Namespace) -> Setup:
    """Read the setup file, or know nothing."""
    return load_setup(arguments.setup) if arguments.setup else Setup()


def calibration_of(arguments: argparse.Namespace) -> Calibration | None:
    """Read the master frames, if any were named."""
    masters = (arguments.dark, arguments.flat, arguments.bias)
    return load_calibration(*masters) if any(masters) else None


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
    return 4 if not any(measured) else 0 if all(measured) else 3


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
    columns: list[progress.ProgressColumn] = [progress.TextColumn(word), progress.BarColumn()]
    if counted:
        columns += [progress.MofNCompleteColumn(), progress.TimeRemainingColumn()]
    else:
        columns.append(progress.TimeElapsedColumn())
    with progress.Progress(*columns, console=Console(stderr=True), transient=True) as line:
        task = line.add_task(word, total=None)
        yield lambda done, total: line.update(task, completed=done, total=total)


def print_line(text: str) -> None:
    """Print a line; what the terminal cannot show, or obeys, becomes a question mark."""
    encoding = sys.stdout.encoding or "utf-8"
    text = "\n".join(map(printable, text.split("\n")))
    print(text.encode(encoding, "replace").decode(encoding))


def say(arguments: argparse.Namespace, text: str) -> None:
    """Print a line while the work goes on, seen at once in a pipe too; nothing where quiet."""
    if not (arguments.quiet or arguments.json):
        print_line(text)
        sys.stdout.flush()


def print_json(document: object) -> None:
    """Print a document as JSON; a number that is not known must be null already."""
    print(json.dumps(document, indent=1, allow_nan=False))


def check_place(arguments: argparse.Namespace) -> None:
    """``OutputError`` if what the verb finds cannot be written, before anybody waits for it."""
    from ..reports import check_writable

    frames, (files, _) = getattr(arguments, "frames", ()), _outcome(arguments.verb)
    check_writable(arguments.out, overwrite=arguments.overwrite, files=files, frames=frames)


def show(arguments: argparse.Namespace, found: Any) -> None:
    """Print what was found as JSON or for people, and what was written; nothing where quiet."""
    from ..reports import print_found

    files, document = _outcome(arguments.verb)
    if arguments.json:
        print_json(document(found))
    elif not arguments.quiet:
        print_found(found)
        print_line(f"\nwritten to {arguments.out}: {', '.join(files.names)}")


def _outcome(verb: str) -> tuple[Any, Any]:
    """The files that a verb writes, and what makes its document."""
    from .. import reports as r  # not every verb has to wait for them

    return {
        "offsets": (r.RESULT_FILES, r.result_document),
        "compare": (r.COMPARISON_FILES, r.comparison_document),
        "plan": (r.PLAN_FILES, r.plan_document),
        "night": (r.NIGHT_FILES, r.night_document),
    }[verb]
