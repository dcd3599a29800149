"""``starsize compare``: what changed between two filter sets or two nights."""

import argparse

from ..reports import load_measured_set, write_comparison
from ..steps import compare_filter_sets
from .shared import check_place, show


def run(arguments: argparse.Namespace) -> int:
    """Compare two result folders, write and show what changed."""
    old, new = load_measured_set(arguments.old), load_measured_set(arguments.new)
    check_place(arguments)
    comparison = compare_filter_sets(old, new)
    write_comparison(comparison, arguments.out, overwrite=arguments.overwrite)
    show(arguments, comparison)
    return 0
