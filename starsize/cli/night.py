"""``starsize night``: focus through a night of ordinary exposures, at once or as they come in."""

import argparse
import math
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any

from .. import reports
from ..errors import InputError
from ..night_run import follow_night, measure_night
from ..reports.words import macros
from . import shared


def run(arguments: argparse.Namespace) -> int:
    """Measure, judge, write and show a night; hand back the exit status."""
    shared.check_place(arguments)
    how: dict[str, Any] = {
        "setup": shared.setup_of(arguments) if arguments.setup else None,
        "offsets": arguments.offsets,
        "growth": arguments.growth,
        "facts_csv": arguments.facts,
        "calibration": shared.calibration_of(arguments),
    }
    if arguments.watch:
        return _watch(arguments, how)
    quiet = arguments.quiet or arguments.json
    with (
        shared.kept_in(arguments.out) as cache,
        shared.executor_of(arguments) as executor,
        shared.progress_line("measuring frames", quiet=quiet) as progress,
    ):
        result = measure_night(
            arguments.frames, cache=cache, executor=executor, progress=progress, **how
        )
        reports.write_night_result(result, arguments.out, overwrite=arguments.overwrite)
    shared.show(arguments, result)
    return shared.exit_status([math.isfinite(one.hfr_px) for one in result.exposures])


def _watch(arguments: argparse.Namespace, how: dict[str, Any]) -> int:
    """Judge frames as they come, until Ctrl-C; the page is written anew each time."""
    if files := [str(path) for path in arguments.frames if not path.is_dir()]:
        raise InputError(f"--watch follows folders; {files[0]} is none")
    said, result = macros("night_said.txt"), None
    _say(arguments, "watching; stop with Ctrl-C")
    with suppress(KeyboardInterrupt):
        # Frames come one by one: more processes than asked for would only wait.
        arguments.jobs = arguments.jobs or 1
        with shared.executor_of(arguments) as executor:
            told, state = 0, ""
            for result in follow_night(
                arguments.frames, executor=executor, skip=(arguments.out,), **how
            ):
                last = len(result.frames) - 1
                # The newest once more where nothing was added: it may have been written anew.
                for k in range(min(told, last), last + 1):
                    if result.frames[k].state != state:
                        _say(arguments, said.line(result, k))
                    state = result.frames[k].state
                told = last + 1
                # The word first: drawing the page takes longer than judging a frame.
                reports.write_night_result(result, arguments.out, overwrite=arguments.overwrite)
    if result is not None:
        _say(arguments, f"stopped. {said.headline(result)}")
        _say(arguments, "without --watch the night is judged by all of its frames, offsets too")
    return 0


def _say(arguments: argparse.Namespace, text: str) -> None:
    shared.say(arguments, f"{datetime.now(UTC):%H:%M:%S} {text}")
