"""``starsize plan``: what to capture."""

import argparse

from ..filters import canonical_filter
from ..pipeline import scout
from ..plan import plan_capture
from ..reports import write_plan
from .shared import check_place, progress_line, setup_of, show
from .workers import workers


def run(arguments: argparse.Namespace) -> int:
    """Plan, write the plan, show it; status 3 where what was asked cannot be reached."""
    check_place(arguments)
    setup, told = setup_of(arguments), None
    quiet = arguments.quiet or arguments.json
    if arguments.seen:
        with workers(arguments.jobs) as executor:
            setup, told = scout(arguments.seen, setup=setup, executor=executor)
    spelt = setup.aliases
    steps, zones = arguments.sigma or (None, None)
    with progress_line("planning", quiet=quiet, counted=False):
        plan = plan_capture(
            setup,
            filters=[canonical_filter(name, aliases=spelt) for name in arguments.filters],
            reference=arguments.reference and canonical_filter(arguments.reference, aliases=spelt),
            position_steps=arguments.position,
            hfr_px=arguments.hfr,
            told=told,
            sigma_steps=steps,
            sigma_zones=zones,
        )
    write_plan(plan, arguments.out, overwrite=arguments.overwrite)
    show(arguments, plan)
    return 0 if plan.reached or arguments.sigma is None else 3
