"""``starsize simulate``: practice frames with known truth."""

import argparse
from shlex import quote

from ..errors import InputError
from ..frames import load_setup
from ..frames.plan_csv import read_plan, read_plan_setup
from ..simulate import SCENARIOS, write_planned_night, write_practice_night
from .shared import print_line, progress_line


def run(arguments: argparse.Namespace) -> int:
    """Write a practice night, or list the scenarios."""
    if arguments.list:
        for name, scenario in SCENARIOS.items():
            print_line(f"{name}: {scenario.text}")
        return 0
    if arguments.plan is not None:
        _follow_plan(arguments)
    else:
        if arguments.setup is not None:
            raise InputError("--setup goes with --plan; a scenario has a telescope of its own")
        with progress_line("drawing frames", quiet=arguments.quiet) as progress:
            write_practice_night(
                arguments.out,
                scenario=arguments.scenario,
                seed=arguments.seed,
                overwrite=arguments.overwrite,
                progress=progress,
            )
    if not arguments.quiet:
        folder, setup = (quote(str(path)) for path in (arguments.out, arguments.out / "setup.toml"))
        print_line(f"simulated, invented frames and their truth (truth.json) are in {folder}")
        print_line(f"measure them: starsize offsets {folder} --setup {setup}")
    return 0


def _follow_plan(arguments: argparse.Namespace) -> None:
    setup = load_setup(arguments.setup) if arguments.setup else None
    exposures = read_plan(arguments.plan, aliases=setup.aliases if setup else None)
    planned, hfr_px = read_plan_setup(arguments.plan) or (None, None)
    setup = setup or planned
    if setup is None:
        msg = f"there is no plan.json beside {arguments.plan}; name your telescope by --setup FILE"
        raise InputError(msg)
    with progress_line("drawing frames", quiet=arguments.quiet) as progress:
        write_planned_night(
            arguments.out,
            exposures,
            setup,
            seed=arguments.seed,
            hfr_px=hfr_px,
            overwrite=arguments.overwrite,
            progress=progress,
        )
