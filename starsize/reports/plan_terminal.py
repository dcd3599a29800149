"""A plan in the terminal: the checklist."""

from rich.console import Console
from rich.table import Table

from ..plan.planned import CapturePlan
from .numbers import short_number
from .plan_words import (
    CAUTIONS,
    answer_lines,
    assumed_text,
    headline,
    more_text,
    positions_text,
    steps_to_follow,
    warnings_of,
)
from .sentences import sentence
from .terminal import say, say_all, standard_output, text_table


def print_plan(plan: CapturePlan, *, console: Console | None = None) -> None:
    """Print what to capture as a checklist, what it will tell, and what was assumed."""
    out = console or standard_output()
    say(out, headline(plan), style="bold")
    out.print()
    for point in steps_to_follow(plan):
        say(out, point, bullet="[ ]")
    out.print()
    out.print(_table(plan, out))
    say(out, positions_text(plan))
    for more in plan.more:
        say(out, sentence(more_text(more)), bullet="-")
    out.print()
    for told, question in answer_lines(plan):
        say(out, question, bullet="yes" if told else "no ")
    say_all(out, "Assumed, for nobody stated it:", [assumed_text(one) for one in plan.assumed])
    say_all(out, "Mind:", [sentence(text) for text in (*warnings_of(plan), *CAUTIONS)])


def _table(plan: CapturePlan, console: Console) -> Table:
    titles = ("filter", "expected", "frames", "focuser", "cooling", "zone")
    rows = [
        (
            name,
            "reference" if name == plan.reference else f"±{short_number(one.sigma)}",
            *(
                "" if name == plan.reference else short_number(part)
                for part in (one.frames, one.focuser, one.temperature)
            ),
            f"±{short_number(plan.zone_steps[name])}",
        )
        for name, one in plan.offsets.items()
    ]
    spare = ("frames", "focuser", "cooling")
    return text_table(console, titles, rows, spare=spare)
