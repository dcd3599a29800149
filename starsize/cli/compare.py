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
from .shared import show


def run(arguments: argparse.Namespace) -> int:
    """Compare two result folders, write and show what changed."""
    old, new = load_measured_set(arguments.old), load_measured_set(arguments.new)
    check_writable(arguments.out, overwrite=arguments.overwrite, files=COMPARISON_FILES)
    comparison = compare_filter_sets(old, new)
    write_comparison(comparison, arguments.out, overwrite=arguments.overwrite)
    show(arguments, comparison, comparison_document, print_comparison, COMPARISON_FILES.names)
    return 0
