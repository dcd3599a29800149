"""The comparison of two runs in the terminal."""

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from ..comparison.compared_sets import SetComparison, SetRow
from ..estimate import Estimate
from .numbers import estimate_text, known
from .terminal import say, showable


def print_comparison(comparison: SetComparison, *, console: Console | None = None) -> None:
    """Print the verdict on the set, the table of changes, a sentence for each, and the warnings.

    Parameters
    ----------
    comparison : SetComparison
    console : rich.console.Console, optional
        Where to print; standard output if not given.
    """
    out = console or Console(highlight=False)
    say(out, f"{comparison.old_name} (old) against {comparison.new_name} (new)", style="bold")
    say(out, comparison.verdict_reason)
    say(out, comparison.parfocal_reason)
    if comparison.rows:
        out.print(_table(comparison, out))
    for row in comparison.rows:
        if row.reason:
            say(out, f"{row.filter}: {row.reason}", bullet=True)
    if comparison.notices:
        out.print()
        say(out, "Warnings:", style="bold")
    for notice in comparison.notices:
        say(out, notice.text, bullet=True)


def _table(comparison: SetComparison, console: Console) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("filter", no_wrap=True)
    table.add_column("old move", justify="right", no_wrap=True)
    table.add_column("new move", justify="right", no_wrap=True)
    table.add_column("change", justify="right", no_wrap=True)
    table.add_column("verdict")
    for row in comparison.rows:
        cells = (
            row.filter,
            _move(row.old_move_steps),
            _move(row.new_move_steps) + (" *" if row.update else ""),
            change_text(row),
            row.change,
        )
        table.add_row(*(Text(showable(cell, console)) for cell in cells))
    if any(row.update for row in comparison.rows):
        table.caption = "* change this number in your equipment"
        table.caption_justify = "left"
    return table


def change_text(row: SetRow) -> str:
    """The change of one filter with its uncertainty, or a dash."""
    change, sigma = known(row.change_steps), known(row.change_sigma_steps)
    if change is None:
        return "-"
    return estimate_text(Estimate(change, float("nan") if sigma is None else sigma), signed=True)


def _move(steps: int | None) -> str:
    return "-" if steps is None else f"{steps:+d}".replace("+0", "0")
