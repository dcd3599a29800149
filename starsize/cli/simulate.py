"""``starsize simulate``: practice frames with known truth."""

import argparse
from collections.abc import Callable
from functools import partial
from shlex import quote

from ..errors import InputError
from ..frames import load_setup
from ..frames.tables import read_plan, read_plan_setup
from ..simulate import SCENARIOS, write_planned_night, write_practice_night
from .shared import print_line, progress_line


def run(arguments: argparse.Namespace) -> int:
    """Write a practice night, or list the scenarios."""
    if arguments.list:
        for name, scenario in SCENARIOS.items():
            print_line(f"{name}: {scenario.text}")
        return 0
    if arguments.plan is None and arguments.setup is not None:
        raise InputError("--setup goes with --plan; a scenario has a telescope of its own")
    write: Callable[..., object] = partial(write_practice_night, scenario=arguments.scenario)
    if arguments.plan is not None:
        write = _planned(arguments)
    with progress_line("drawing frames", quiet=arguments.quiet) as progress:
        write(arguments.out, seed=arguments.seed, overwrite=arguments.overwrite, progress=progress)
    if not arguments.quiet:
        folder, setup = (quote(str(path)) for path in (arguments.out, arguments.out / "setup.toml"))
        print_line(f"simulated, invented frames and their truth (truth.json) are in {folder}")
        print_line(f"measure them: starsize offsets {folder} --setup {setup}")
    return 0


def _planned(arguments: argparse.Namespace) -> Callable[..., object]:
    """What writes the night of a plan, with the person's telescope or that of the plan."""
    setup = load_setup(arguments.setup) if arguments.setup else None
    exposures = read_plan(arguments.plan, aliases=setup.aliases if setup else None)
    planned, hfr_px = read_plan_setup(arguments.plan) or (None, None)
    setup = setup or planned
    if setup is None:
        msg = f"there is no plan.json beside {arguments.plan}; name your telescope by --setup FILE"
        raise InputError(msg)
    return partial(write_planned_night, exposures=exposures, setup=setup, hfr_px=hfr_px)
