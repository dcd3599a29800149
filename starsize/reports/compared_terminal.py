"""The comparison of two runs in the terminal."""

from rich.console import Console
from rich.table import Table

from ..comparison.sets.compared import SetComparison
from .compared_page import change_text, set_headline
from .numbers import move_number
from .sentences import sentence
from .terminal import say, say_all, standard_output, text_table


def print_comparison(comparison: SetComparison, *, console: Console | None = None) -> None:
    """Print the verdict on the set, the table of changes, a sentence for each, and the warnings."""
    out = console or standard_output()
    say(out, f"{comparison.old_name} (old) against {comparison.new_name} (new)", style="bold")
    say(out, f"{set_headline(comparison)} {sentence(comparison.verdict_reason)}")
    say(out, sentence(comparison.parfocal_reason))
    if comparison.rows:
        out.print(_table(comparison, out))
    for row in comparison.rows:
        if row.reason:
            say(out, f"{row.filter}: {sentence(row.reason)}", bullet="-")
    say_all(out, "Warnings:", [sentence(notice.text) for notice in comparison.notices])


def _table(comparison: SetComparison, console: Console) -> Table:
    titles = ("filter", "old move", "new move", "change", "verdict")
    rows = [
        (
            row.filter,
            move_number(row.old_move_steps),
            move_number(row.new_move_steps) + (" *" if row.update else ""),
            change_text(row) or "-",
            row.change,
        )
        for row in comparison.rows
    ]
    table = text_table(console, titles, rows, spare=("old move", "change"))
    if any(row.update for row in comparison.rows):
        table.caption = "* change this number in your equipment"
        table.caption_justify = "left"
    return table
