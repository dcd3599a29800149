"""``starsize offsets``: the main job."""

import argparse
import sys
from collections.abc import Sequence
from concurrent.futures import Executor
from pathlib import Path

from ..cache import Cache
from ..errors import InputError
from ..pipeline import measure_offsets
from ..reports import (
    RESULT_FILES,
    RunResult,
    check_writable,
    print_result,
    result_document,
    write_results,
)
from ..reports.folder import keep_apart
from ..reports.stored import is_result, load_run
from ..setup import Setup
from .shared import (
    calibration_of,
    executor_of,
    exit_status,
    kept_in,
    print_line,
    progress_line,
    setup_of,
    show,
)
from .watch import Measure, watch_sweeps


def run(arguments: argparse.Namespace) -> int:
    """Measure, write the results, show them; hand back the exit status."""
    if arguments.plan and not arguments.watch:
        msg = "--plan says when --watch may stop; give both"
        raise InputError(msg)
    # Before the frames are measured: a person should not wait to hear that there is no place.
    check_writable(arguments.out, overwrite=arguments.overwrite, frames=arguments.frames)
    stored = [load_run(path) for path in arguments.frames if is_result(path)]
    keep_apart(arguments.out, [file for run in stored for file in run.files])
    setup = setup_of(arguments)
    quiet = arguments.quiet or arguments.json

    def say(line: str) -> None:
        if not quiet:
            print_line(line)
            sys.stdout.flush()  # seen at once, in a pipe too

    with kept_in(arguments.out) as cache, executor_of(arguments) as executor:
        measure = _measurer(arguments, setup, cache, executor)
        if arguments.watch:
            folders = ", ".join(str(path) for path in arguments.frames if path.is_dir())
            say(f"watching {folders}; Ctrl-C ends it")
            result = watch_sweeps(arguments, setup, measure, say)
        else:
            result = measure(arguments.frames, arguments.reference)
    show(arguments, result, result_document, print_result, RESULT_FILES.names)
    return exit_status([row.status == "measured" for row in result.comparison.rows])


def _measurer(
    arguments: argparse.Namespace, setup: Setup, cache: Cache, executor: Executor | None
) -> Measure:
    """What measures folders and files, and writes the results."""
    calibration = calibration_of(arguments)
    quiet = arguments.quiet or arguments.json

    def measure(paths: Sequence[Path], reference: str | None) -> RunResult:
        with progress_line("measuring frames", quiet=quiet) as progress:
            result = measure_offsets(
                paths,
                setup=setup,
                reference=reference,
                facts_csv=arguments.facts,
                calibration=calibration,
                cache=cache,
                executor=executor,
                progress=progress,
            )
        write_results(result, arguments.out, overwrite=arguments.overwrite, cache=cache)
        return result

    return measure
