"""What the templates ask of a run to say it: moves, actions, names in a row."""

from collections.abc import Iterable, Sequence
from typing import Any

from ..comparison.compared import Comparison, OffsetRow
from ..setup import Setup
from .numbers import known
from .result import RunResult


def sentence(text: str) -> str:
    """Make a remark of an earlier layer a sentence: capital, full stop, the trade's own signs.

    >>> sentence("the change of +1.2 +- 0.3 steps is 5 um")
    'The change of +1.2 ± 0.3 steps is 5 µm.'
    """
    said = text.strip().replace("+-", "±").replace("degC", "°C")
    said = " ".join(
        f"µm{word[2:]}" if word.rstrip(".,;:)") == "um" else word for word in said.split(" ")
    )
    first = said.partition(" ")[0]
    # A lone letter may be a filter's name, whose case says which filter.
    if first.isalpha() and first.islower() and (len(first) > 2 or first in ("no", "it")):
        said = said[0].upper() + said[1:]
    return said if not said or said.endswith((".", "!", "?")) else f"{said}."


def direction(steps: float, setup: Setup) -> str:
    """``out`` (away from the telescope) or ``in`` for a move of so many steps; empty for none."""
    if steps == 0:
        return ""
    return "out" if (steps > 0) == (setup.focuser.outward == "increasing") else "in"


def grouped_reasons(rows: Iterable[OffsetRow]) -> list[tuple[str, str]]:
    """Reasons and the filters that share each: ("R and G", "the reason"), in order."""
    sharing: dict[str, list[str]] = {}
    for row in rows:
        if row.reason:
            sharing.setdefault(row.reason, []).append(row.filter)
    return [(listing(names), reason) for reason, names in sharing.items()]


def is_colour_camera(result: RunResult) -> bool:
    """Whether all that was measured are channels of one exposure, which share one focus."""
    return bool(result.measured) and all(m.filter != m.sweep.filter for m in result.measured)


def action_words(row: OffsetRow, *, channels: bool = False) -> str:
    """What to do with a filter's number, in a word or three; nothing with a colour's."""
    if row.status == "refused":
        return "refused"
    if row.filter == row.reference:
        return "reference"
    if channels:
        return ""
    if row.action != "ignore":
        return row.action
    grown = row.growth_if_ignored
    cost = f", costs {100 * max(grown.value, 0.0):.1f} %" if grown else ""
    return f"{'or ' if row.move_steps else ''}leave it{cost}"


def from_reference(position: float | None, comparison: Comparison) -> float | None:
    """A position counted from best focus of the reference, in steps; None where not known."""
    at = known(position)
    rows = [row for row in comparison.rows if row.filter == comparison.reference]
    best = known(rows[0].best_focus_steps) if rows else None
    return None if at is None or best is None else at - best


def to_refocus(comparison: Comparison) -> list[str]:
    """Filters at which to refocus."""
    return [row.filter for row in comparison.rows if action_words(row) == "refocus"]


def by_action(result: RunResult) -> dict[str, list[Any]] | None:
    """Rows to ``move``, filters that may ``stay`` or where to focus ``again``; None if refused."""
    told: dict[str, list[Any]] = {"move": [], "stay": [], "again": []}
    others = [row for row in result.comparison.rows if row.filter != result.comparison.reference]
    for row in others:
        if row.status == "refused" or row.action == "refocus" or row.move_steps is None:
            told["again"].append(row.filter)
        elif "leave it" in action_words(row):
            told["stay"].append(row.filter)
        else:
            told["move"].append(row)
    return told if any(row.status != "refused" for row in others) else None


def listing(names: Sequence[str]) -> str:
    """Names in a row: ``R``, ``R and G``, ``R, G and B``."""
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} and {names[-1]}"
