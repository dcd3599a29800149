"""``starsize compare``: what changed between two filter sets or two nights."""

import argparse

from ..reports import (
    COMPARISON_FILES,
    check_writable,
    comparison_document,
    load_measured_set,
    print_comparison,
    write_comparison,
)
from ..steps import compare_filter_sets
from .shared import print_json, print_line


def run(arguments: argparse.Namespace) -> int:
    """Compare two result folders, write and show what changed."""
    old, new = load_measured_set(arguments.old), load_measured_set(arguments.new)
    check_writable(arguments.out, overwrite=arguments.overwrite, files=COMPARISON_FILES)
    comparison = compare_filter_sets(old, new)
    written = write_comparison(comparison, arguments.out, overwrite=arguments.overwrite)
    if arguments.json:
        print_json(comparison_document(comparison))
    elif not arguments.quiet:
        print_comparison(comparison)
        print_line(f"\nwritten to {arguments.out}: {', '.join(path.name for path in written)}")
    return 0
