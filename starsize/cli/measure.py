"""``starsize measure``: half-flux radius of single frames."""

import argparse
import sys

from .. import reports
from ..errors import printable
from ..frames import list_frames
from ..frames.header import has_frame_ending
from ..tracking import measure_files, measure_files_and_stars
from . import shared


def run(arguments: argparse.Namespace) -> int:
    """Measure frames one by one; status 3 if some could not be measured, 4 if none."""
    if arguments.stars is not None:
        reports.check_file_writable(arguments.stars, overwrite=arguments.overwrite)
    setup, calibration = shared.setup_of(arguments), shared.calibration_of(arguments)
    files = list_frames(arguments.frames, setup=setup)
    facts = [f.facts for f in files if f.facts is not None and f.facts.kind == "light"]
    unread = [
        f
        for f in files
        if f.facts is None or f.facts.kind != "light"
        # Notes and pictures that lie in a folder were not meant; a file named by its path was.
        if has_frame_ending(f.path) or f.path in arguments.frames
    ]
    with shared.executor_of(arguments) as executor:
        if arguments.stars is None:
            frames = measure_files(facts, setup=setup, calibration=calibration, executor=executor)
        else:
            frames, stars = measure_files_and_stars(
                facts, setup=setup, calibration=calibration, executor=executor
            )
    measured = [frame for frame in frames if frame.reason is None]
    if arguments.stars is not None and measured:
        reports.write_star_table(arguments.stars, stars, overwrite=arguments.overwrite)
    if arguments.json:
        shared.print_json([reports.measurement_document(frame) for frame in frames])
    elif not arguments.quiet:
        reports.print_measurements(frames)
    for file in unread:
        print(printable(f"starsize: {file.path}: {file.reason}"), file=sys.stderr)
    return shared.exit_status([frame.reason is None for frame in frames] + [False] * len(unread))
