"""What a run, or a few frames, look like in a terminal: plain words and one table."""

from collections.abc import Iterable

from rich import box
from rich.console import Console
from rich.table import Table
from rich.text import Text

from ..comparison.compared import OffsetRow
from ..estimate import Estimate
from ..setup import Setup
from ..tracking.measured import FrameRadius
from .numbers import estimate_text, known, number_text, short_number, steps_text
from .result import RunResult
from .sentences import (
    colour_headline,
    direction,
    grouped_reasons,
    headline,
    listing,
    row_sentence,
    sentence,
)
from .unanswered import open_questions

_ASCII = str.maketrans(
    {"±": "+-", "−": "-", "–": "-", "—": "-", "µ": "u", "°": "deg", "λ": "lambda", "²": "2",
     "×": "x", "→": "->", "…": "...", "‘": "'", "’": "'", "“": '"', "”": '"', "α": "alpha"}
)  # fmt: skip


def print_result(result: RunResult, *, console: Console | None = None, quiet: bool = False) -> None:
    """Print the offset table, the verdict on colour and every warning.

    Parameters
    ----------
    result : RunResult
    console : rich.console.Console, optional
        Where to print; standard output if not given. Characters that its encoding cannot show
        are written in ASCII.
    quiet : bool
        Print the table alone.
    """
    out = console or standard_output()
    if result.comparison.rows:
        say(out, f"Moves from {result.comparison.reference}, in steps", style="bold")
        out.print(_offset_table(result, out))
    if quiet:
        return
    say(out, headline(result), style="bold")
    _print_reasons(result, out)
    colour = result.comparison.colour
    out.print()
    say(out, colour_headline(colour), style="bold")
    for remark in dict.fromkeys((colour.reason, colour.cause_reason)):
        say(out, sentence(remark))
    _print_warnings(result, out)
    _print_open(result, out)


def print_measurements(frames: Iterable[FrameRadius], *, console: Console | None = None) -> None:
    """Print one line a frame: file, radius, stars, background, elongation, or why there is none.

    A frame of a colour camera has a line for each channel, its letter behind the file.

    Parameters
    ----------
    frames : iterable of FrameRadius
        Printed one by one as they come, so a long list shows its progress.
    console : rich.console.Console, optional
        Where to print; standard output if not given.
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


def say(console: Console, text: str, *, style: str = "", bullet: bool = False) -> None:
    """Print one sentence, with what the console cannot show written in ASCII."""
    shown = showable(text, console)
    if not shown:
        return
    if bullet:
        grid = Table.grid(padding=(0, 1))
        grid.add_row("-", Text(shown, style=style))
        console.print(grid)
    else:
        console.print(Text(shown, style=style))


def showable(text: str, console: Console) -> str:
    """The text itself, or its ASCII spelling where the console's encoding cannot show it.

    Examples
    --------
    >>> import io
    >>> showable("1 ± 2 µm", Console(file=io.TextIOWrapper(io.BytesIO(), encoding="ascii")))
    '1 +- 2 um'
    """
    encoding = console.encoding or "ascii"
    try:
        text.encode(encoding)
    except (UnicodeEncodeError, LookupError):
        plain = text.translate(_ASCII)
        return plain.encode("ascii", errors="replace").decode("ascii")
    return text


def _offset_table(result: RunResult, console: Console) -> Table:
    rows = result.comparison.rows
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    table.add_column("filter", no_wrap=True)
    for name in ("move", "offset", "zone"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("what to do")
    for row in rows:
        zone = short_number(row.zone_steps)
        cells = (
            row.filter,
            _move_cell(row, result.setup),
            _offset_cell(row),
            f"±{zone}" if zone else "",
            _action_cell(row),
        )
        style = "red" if row.status == "refused" else ""
        table.add_row(*(Text(showable(cell, console)) for cell in cells), style=style)
    return table


def _move_cell(row: OffsetRow, setup: Setup) -> str:
    if row.move_steps is None:
        return "-"
    return f"{row.move_steps:+d} {direction(row.move_steps, setup)}".strip().replace("+0", "0")


def _offset_cell(row: OffsetRow) -> str:
    offset = known(row.offset_steps)
    if offset is None:
        return "-"
    if row.filter == row.reference:
        return "0"
    sigma = known(row.offset_sigma_steps)
    return estimate_text(Estimate(offset, float("nan") if sigma is None else sigma), signed=True)


def _action_cell(row: OffsetRow) -> str:
    if row.status == "refused":
        return "refused"
    if row.filter == row.reference:
        return "reference"
    if row.action == "refocus":
        return "refocus"
    return "move" if row.action == "move" and row.move_steps else "leave it"


def _print_reasons(result: RunResult, console: Console) -> None:
    """What to do where a move is not to be trusted; refused filters by shared reason."""
    rows = result.comparison.rows
    for names, reason in grouped_reasons(row for row in rows if row.status == "refused"):
        say(console, f"{names}: not measured, refocus there. {sentence(reason)}", bullet=True)
    for row in rows:
        if row.status == "measured" and row.action == "refocus":
            say(console, row_sentence(row, result.setup), bullet=True)


def _print_warnings(result: RunResult, console: Console) -> None:
    notices = list(dict.fromkeys(result.notices))
    if not notices:
        return
    console.print()
    say(console, f"{len(notices)} warning{'s' if len(notices) > 1 else ''}:", style="bold")
    for notice in notices:
        say(console, sentence(notice.text), bullet=True)


def _print_open(result: RunResult, console: Console) -> None:
    """The questions left open, by topic; the page says what to capture for each."""
    topics = [question.topic for question in open_questions(result)]
    if topics:
        console.print()
        say(console, f"Not answered: {listing(topics)}. The report page says what to capture.")


def _measurement(frame: FrameRadius) -> str:
    if known(frame.radius_px) is None:
        return sentence(frame.reason or "no star could be measured")
    radius = estimate_text(Estimate(frame.radius_px, frame.radius_sigma_px))
    position = known(frame.facts.position_steps)
    facts = [
        f"HFR {radius} px",
        f"{frame.n_stars} of {frame.n_found} stars",
        f"background {number_text(frame.background_adu, digits=5) or 'not known'} ADU",
        f"elongation {number_text(frame.elongation, digits=3) or 'not known'}",
    ]
    if position is not None:
        facts.append(f"at {steps_text(position)}")
    return ", ".join(facts)
