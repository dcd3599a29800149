"""``starsize offsets``: the main job."""

import argparse
import sys

from ..cache import Cache
from ..errors import printable
from ..pipeline import measure_offsets
from ..reports import RunResult, check_writable, print_result, result_document, write_results
from .shared import calibration_of, executor_of, print_json, print_line, progress_line, setup_of

CACHE_FILE = "measured.sqlite"


def run(arguments: argparse.Namespace) -> int:
    """Measure, write the results, show them; hand back the exit status."""
    # Before the frames are measured: a person should not wait to hear that there is no place.
    folders = [path for path in arguments.frames if path.is_dir()]
    check_writable(arguments.out, overwrite=arguments.overwrite, frame_folders=folders)
    setup = setup_of(arguments)
    calibration = calibration_of(arguments)
    quiet = arguments.quiet or arguments.json
    with Cache(arguments.out / CACHE_FILE) as cache:
        with (
            executor_of(arguments) as executor,
            progress_line("measuring frames", quiet=quiet) as progress,
        ):
            result = measure_offsets(
                arguments.frames,
                setup=setup,
                reference=arguments.reference,
                facts_csv=arguments.facts,
                calibration=calibration,
                cache=cache,
                executor=executor,
                progress=progress,
            )
        written = write_results(result, arguments.out, overwrite=arguments.overwrite, cache=cache)
        cache.forget_unasked()
    if cache.trouble:
        print(printable(f"starsize: {cache.trouble}"), file=sys.stderr)
    if arguments.json:
        print_json(result_document(result))
    elif not arguments.quiet:
        print_result(result)
        print_line(f"\nwritten to {arguments.out}: {', '.join(path.name for path in written)}")
    return status_of(result)


def status_of(result: RunResult) -> int:
    """0 all filters measured, 3 some refused, 4 none could be measured."""
    measured = [row.status == "measured" for row in result.comparison.rows]
    if all(measured) and measured:
        return 0
    return 3 if any(measured) else 4
