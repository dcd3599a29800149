"""``starsize simulate``: practice frames with known truth."""

import argparse

from ..simulate import SCENARIOS, write_practice_night


def run(arguments: argparse.Namespace) -> int:
    """Write a practice night, or list the scenarios."""
    if arguments.list:
        for name, scenario in SCENARIOS.items():
            print(f"{name}: {scenario.text}")
        return 0
    write_practice_night(
        arguments.out,
        scenario=arguments.scenario,
        seed=arguments.seed,
        overwrite=arguments.overwrite,
    )
    if not arguments.quiet:
        print(f"simulated, invented frames and their truth (truth.json) are in {arguments.out}")
        print(f"measure them: starsize offsets {arguments.out} --setup {arguments.out}/setup.toml")
    return 0
