"""``starsize simulate``: practice frames with known truth."""

import argparse
from shlex import quote

from ..simulate import SCENARIOS, write_practice_night
from .shared import print_line, waiting


def run(arguments: argparse.Namespace) -> int:
    """Write a practice night, or list the scenarios."""
    if arguments.list:
        for name, scenario in SCENARIOS.items():
            print_line(f"{name}: {scenario.text}")
        return 0
    with waiting("drawing frames", quiet=arguments.quiet):
        write_practice_night(
            arguments.out,
            scenario=arguments.scenario,
            seed=arguments.seed,
            overwrite=arguments.overwrite,
        )
    if not arguments.quiet:
        folder, setup = (quote(str(path)) for path in (arguments.out, arguments.out / "setup.toml"))
        print_line(f"simulated, invented frames and their truth (truth.json) are in {folder}")
        print_line(f"measure them: starsize offsets {folder} --setup {setup}")
    return 0
