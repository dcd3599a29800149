"""A run, frames, two runs compared, a plan and a night in a terminal: plain words and tables."""

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Any, Final

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from ..comparison.sets import SetComparison
from ..errors import printable
from ..night import NightResult
from ..plan.planned import CapturePlan
from ..tracking.measured import FrameRadius
from .numbers import known
from .result import RunResult
from .words import render

#: Columns of text below which a table leaves out what it can spare.
_NARROW: Final = 56
_BULLETS: Final = ("[ ] ", "yes ", "no  ", "- ")
_ASCII: Final = str.maketrans(
    {"±": "+-", "−": "-", "–": "-", "—": "-", "µ": "u", "°": "deg", "λ": "lambda", "²": "2",
     "×": "x", "→": "->", "…": "...", "‘": "'", "’": "'", "“": '"', "”": '"', "α": "alpha"}
)  # fmt: skip
#: The template of each thing, and what it is called there.
_TEMPLATES: Final[dict[type, tuple[str, str]]] = {
    RunResult: ("result.txt", "result"),
    SetComparison: ("comparison.txt", "comparison"),
    CapturePlan: ("plan.txt", "plan"),
    NightResult: ("night.txt", "result"),
}


class _Output(Console):
    """Lets the caller hear that the reader of our output has left."""

    def on_broken_pipe(self) -> None:
        """Called while the BrokenPipeError is being handled: pass it on."""
        raise


def print_found(
    found: RunResult | SetComparison | CapturePlan | NightResult, *, console: Console | None = None
) -> None:
    """Print what a verb found: the tables and sentences of its template.

    Of a template a line is a paragraph, # stands before a headline, - and so on before points;
    lines with tabs are a table, the first of them its titles.
    """
    console = console or _Output(highlight=False)
    template, name = _TEMPLATES[type(found)]
    lines = render(template, {name: found}).rstrip("\n").split("\n")
    for is_table, group in groupby(lines, key=lambda line: "\t" in line):
        if is_table:
            console.print(_table(console, [line.split("\t") for line in group]))
            continue
        for line in group:
            bullet = next((one for one in _BULLETS if line.startswith(one)), "")
            headline = line.startswith("# ")
            words = line.removeprefix("# ").removeprefix(bullet)
            shown = _shown(words, console, style="bold" if headline else "")
            if bullet and words:
                grid = Table.grid(padding=(0, 1))
                grid.add_column(no_wrap=True)
                grid.add_row(Text(bullet[:-1]), shown)
                console.print(grid)
            else:
                console.print(shown)


def print_measurements(frames: Iterable[FrameRadius], *, console: Console | None = None) -> None:
    """Print a line a frame, or channel of it, as they come: radius, stars, or why there is none."""
    out = console or _Output(highlight=False)
    for frame in frames:
        line = render("measured.txt", {"frame": frame}).rstrip("\n")
        # Never folded: a line a frame is what other tools can sort and search.
        out.print(_shown(line, out), soft_wrap=True)


def sweep_line(result: RunResult, sweep_id: str, *, to_come: Sequence[str] = ()) -> str:
    """Say whether one sweep is good, else what to repeat; then what all sweeps tell so far."""
    pairs, rows = zip(result.measured, result.curves.fits, strict=True), result.comparison.rows
    view = {
        "sweep_id": sweep_id,
        "fits": [fit for one, fit in pairs if one.sweep.id == sweep_id],
        "rows": [r for r in rows if r.filter != r.reference and known(r.offset_steps) is not None],
        "to_come": to_come,
    }
    return " ".join(render("sweep.txt", view).splitlines())


def _table(console: Console, rows: list[list[str]]) -> Table:
    """A table of words; where the screen is narrow, without the columns that can be spared (~).

    The first column and the last are words, those between are numbers.
    """
    titles, *rows = rows
    shown = [i for i, title in enumerate(titles) if console.width >= _NARROW or title[0] != "~"]
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for i in shown:
        last = i == len(titles) - 1
        justify: Any = "left" if last or i == 0 else "right"
        table.add_column(titles[i].removeprefix("~"), justify=justify, no_wrap=not last)
    for cells in rows:
        style = "red" if cells[-1] == "refused" else ""
        table.add_row(*(_shown(cells[i], console) for i in shown), style=style)
    return table


def _shown(text: str, console: Console, style: str = "") -> Text:
    """The text on one line, in ASCII where the console's encoding cannot show it."""
    text = printable(text)
    try:
        text.encode(console.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        text = text.translate(_ASCII).encode("ascii", errors="replace").decode("ascii")
    return Text(text, style=style)
