"""``starsize night``: focus through a night of ordinary exposures."""

import argparse
import math

from ..night_run import measure_night
from ..reports import NIGHT_FILES, check_writable, night_document, print_night, write_night_result
from .night_watch import watch
from .shared import (
    calibration_of,
    executor_of,
    exit_status,
    kept_in,
    print_json,
    print_line,
    progress_line,
    setup_of,
)


def run(arguments: argparse.Namespace) -> int:
    """Measure, judge, write and show a night; hand back the exit status."""
    check_writable(
        arguments.out, overwrite=arguments.overwrite, files=NIGHT_FILES, frames=arguments.frames
    )
    if arguments.watch:
        return watch(arguments)
    quiet = arguments.quiet or arguments.json
    with (
        kept_in(arguments.out) as cache,
        executor_of(arguments) as executor,
        progress_line("measuring frames", quiet=quiet) as progress,
    ):
        result = measure_night(
            arguments.frames,
            setup=setup_of(arguments) if arguments.setup else None,
            offsets=arguments.offsets,
            growth=arguments.growth,
            facts_csv=arguments.facts,
            calibration=calibration_of(arguments),
            cache=cache,
            skip=(arguments.out,),
            executor=executor,
            progress=progress,
        )
        written = write_night_result(result, arguments.out, overwrite=arguments.overwrite)
    if arguments.json:
        print_json(night_document(result))
    elif not arguments.quiet:
        print_night(result)
        print_line(f"\nwritten to {arguments.out}: {', '.join(path.name for path in written)}")
    return exit_status([math.isfinite(one.hfr_px) for one in result.exposures])
