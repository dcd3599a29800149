"""``starsize measure``: half-flux radius of single frames."""

import argparse
import sys

from ..frames import list_frames
from ..pipeline import star_tables
from ..reports import measurement_document, print_measurements, write_star_table
from ..stars import measure_files
from .shared import calibration_of, print_json, setup_of, workers


def run(arguments: argparse.Namespace) -> int:
    """Measure frames one by one; status 3 if some could not be measured, 4 if none."""
    setup, calibration = setup_of(arguments), calibration_of(arguments)
    files = list_frames(arguments.frames, setup=setup)
    facts = [f.facts for f in files if f.facts is not None and f.facts.kind == "light"]
    unread = [f for f in files if f.facts is None or f.facts.kind != "light"]
    with workers(arguments.jobs if len(facts) > 1 else 1) as executor:
        frames = measure_files(facts, setup=setup, calibration=calibration, executor=executor)
    if arguments.stars is not None:
        table = star_tables(facts, setup=setup, calibration=calibration)
        write_star_table(arguments.stars, table, overwrite=arguments.overwrite)
    if arguments.json:
        print_json([measurement_document(frame) for frame in frames])
    elif not arguments.quiet:
        print_measurements(frames)
    for file in unread:
        print(f"starsize: {file.path}: {file.reason}", file=sys.stderr)
    answered = sum(frame.reason is None for frame in frames)
    if answered == len(files):
        return 0
    return 3 if answered else 4
