"""A run, frames, two runs compared, a plan and a night in a terminal: plain words and tables."""

from collections.abc import Iterable, Sequence
from itertools import groupby
from typing import Final, Literal

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from ..comparison.sets.compared import SetComparison
from ..errors import printable
from ..estimate import Estimate
from ..night import NightResult
from ..plan.planned import CapturePlan
from ..tracking.measured import FrameRadius
from . import sentences
from .filled import render
from .night_words import rule_words, spans
from .numbers import (
    estimate_text,
    known,
    number_text,
    steps_text,
)
from .page import change_text, set_headline
from .result import RunResult
from .sentences import sentence
from .unanswered import open_questions

#: Columns of text below which a table leaves out what it can spare.
_NARROW: Final = 56
_ASCII = str.maketrans(
    {"±": "+-", "−": "-", "–": "-", "—": "-", "µ": "u", "°": "deg", "λ": "lambda", "²": "2",
     "×": "x", "→": "->", "…": "...", "‘": "'", "’": "'", "“": '"', "”": '"', "α": "alpha"}
)  # fmt: skip


def print_result(result: RunResult, *, console: Console | None = None) -> None:
    """Print the offset table, the verdict on colour and every warning.

    On standard output if no console is given; characters that its encoding cannot show are written
    in ASCII.
    """
    out, rows = console or standard_output(), result.comparison.rows
    channels = sentences.is_colour_camera(result)
    again = [row for row in rows if sentences.action_words(row, channels=channels) == "refocus"]
    refused = [row for row in rows if row.status == "refused"]
    view = {
        "result": result,
        "channels": channels,
        "refused": sentences.grouped_reasons(refused),
        "again": again,
        "notices": dict.fromkeys(result.notices),
        "topics": [question.topic for question in open_questions(result)],
    }
    _print_text(out, render("result.txt", view))


def sweep_line(result: RunResult, sweep_id: str, *, to_come: Sequence[str] = ()) -> str:
    """Say of one sweep whether it is good, else what to repeat; and what is known so far.

    ``result`` is of all sweeps so far, ``to_come`` are filters of the sweeps still planned.
    """
    pairs, rows = zip(result.measured, result.curves.fits, strict=True), result.comparison.rows
    view = {
        "sweep_id": sweep_id,
        "fits": [fit for one, fit in pairs if one.sweep.id == sweep_id],
        "rows": [r for r in rows if r.filter != r.reference and known(r.offset_steps) is not None],
        "to_come": to_come,
    }
    return " ".join(render("sweep.txt", view).splitlines())


def print_measurements(frames: Iterable[FrameRadius], *, console: Console | None = None) -> None:
    """Print one line a frame, or colour channel of it: radius, stars, or why there is none.

    They are printed one by one as they come, so a long list shows its progress.
    """
    out = console or standard_output()
    for frame in frames:
        name = f"{frame.facts.path.name} {frame.channel}".rstrip()
        line = f"{name}: {_measurement(frame)}"
        # Never folded: a line a frame is what other tools can sort and search.
        out.print(Text(showable(line, out)), soft_wrap=True)


class _Output(Console):
    """Lets the caller hear that the reader of our output has left."""

    def on_broken_pipe(self) -> None:
        """Called while the BrokenPipeError is being handled: pass it on."""
        raise


def standard_output() -> Console:
    """The console that everything is printed on if the caller names none."""
    return _Output(highlight=False)


def say(console: Console, text: str, *, style: str = "", bullet: str = "") -> None:
    """Print one sentence, with what the console cannot show written in ASCII."""
    shown = Text(showable(text, console), style=style)
    if bullet and shown:
        grid = Table.grid(padding=(0, 1))
        grid.add_column(no_wrap=True)
        grid.add_row(Text(bullet), shown)
        console.print(grid)
    elif shown:
        console.print(shown)


def _print_text(console: Console, text: str) -> None:
    """Print a text of ours: a paragraph a line, # before a headline, - and so on before points.

    Lines with tabs are a table, the first of them its titles.
    """
    for is_table, lines in groupby(text.rstrip("\n").split("\n"), key=lambda line: "\t" in line):
        if is_table:
            console.print(_table(console, [line.split("\t") for line in lines]))
            continue
        for line in lines:
            bullets = ("[ ] ", "yes ", "no  ", "- ")
            bullet = next((one for one in bullets if line.startswith(one)), "")
            if line:
                shown = line.removeprefix("# ").removeprefix(bullet)
                say(console, shown, style="bold" if line[:2] == "# " else "", bullet=bullet[:-1])
            else:
                console.print()


def _table(console: Console, rows: list[list[str]]) -> Table:
    """A table of words; where the screen is narrow, without the columns that can be spared (~).

    The first column and the last are words, those between are numbers.
    """
    titles, *rows = rows
    shown = [i for i, title in enumerate(titles) if console.width >= _NARROW or title[0] != "~"]
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for i in shown:
        last = i == len(titles) - 1
        justify: Literal["left", "right"] = "left" if last or i == 0 else "right"
        table.add_column(titles[i].removeprefix("~"), justify=justify, no_wrap=not last)
    for cells in rows:
        style = "red" if cells[-1] == "refused" else ""
        table.add_row(*(Text(showable(cells[i], console)) for i in shown), style=style)
    return table


def showable(text: str, console: Console) -> str:
    """The text on one line, in ASCII where the console's encoding cannot show it."""
    text = printable(text)
    try:
        text.encode(console.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return text.translate(_ASCII).encode("ascii", errors="replace").decode("ascii")
    return text


def _measurement(frame: FrameRadius) -> str:
    if known(frame.radius_px) is None:
        return sentence(frame.reason or "no star could be measured")
    position = known(frame.facts.position_steps)
    return ", ".join(
        [
            f"HFR {estimate_text(Estimate(frame.radius_px, frame.radius_sigma_px))} px",
            f"{frame.n_stars} of {frame.n_found} stars",
            f"background {number_text(frame.background_adu, digits=5) or 'not known'} ADU",
            f"elongation {number_text(frame.elongation, digits=3) or 'not known'}",
            *([] if position is None else [f"at {steps_text(position)}"]),
        ]
    )


def print_comparison(comparison: SetComparison, *, console: Console | None = None) -> None:
    """Print the verdict on the set, the table of changes, a sentence for each, and the warnings."""
    out = console or standard_output()
    view = {
        "comparison": comparison,
        "headline": set_headline(comparison),
        "change": change_text,
    }
    _print_text(out, render("comparison.txt", view))


def print_plan(plan: CapturePlan, *, console: Console | None = None) -> None:
    """Print what to capture as a checklist, what it will tell, and what was assumed."""
    out = console or standard_output()
    _print_text(out, render("plan.txt", {"plan": plan}))


def print_night(result: NightResult, *, console: Console | None = None) -> None:
    """Print the headline, the troubles in order of time, filters whose offset is off, the rule."""
    view = {"result": result, "spans": spans(result), "rule": rule_words(result)}
    _print_text(console or standard_output(), render("night.txt", view))
