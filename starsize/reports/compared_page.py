"""The page of a comparison of two runs: old and new of every filter on one rail."""

from typing import Any

from ..comparison.sets.compared import SetComparison, SetRow
from .numbers import known, micrometres, move_number, signed_text
from .page import render
from .rail import Ruler
from .tints import filter_tint

_WORDS = {
    "together": "inside its zone",
    "apart": "outside its zone",
    "cannot tell": "cannot tell",
    None: "",
}


def comparison_html(comparison: SetComparison) -> str:
    """The comparison as one HTML page: styles inside, nothing fetched."""
    rows = [
        _row(row, places) for row, places in zip(comparison.rows, _rails(comparison), strict=True)
    ]
    view = {
        "comparison": comparison,
        "headline": set_headline(comparison),
        "rows": rows,
        "updates": [item for item in rows if item["row"].update],
    }
    return render("comparison.html", view)


def set_headline(comparison: SetComparison) -> str:
    """The verdict on the set in one line."""
    if comparison.verdict == "unchanged":
        return "No filter changed focus."
    if comparison.verdict == "cannot tell":
        return "These runs cannot tell whether a filter changed focus."
    changed = sum(row.change == "changed" for row in comparison.rows)
    both = sum(
        row.old_offset_steps is not None and row.new_offset_steps is not None
        for row in comparison.rows
    )
    return f"{changed} of {both} filters changed focus."


def change_text(row: SetRow) -> str:
    """The change of one filter in steps with its uncertainty; empty where unknown.

    Empty for the reference too, which cannot change against itself.
    """
    if row.filter == row.reference:
        return ""
    return signed_text(row.change_steps, row.change_sigma_steps)


def _row(row: SetRow, places: dict[str, float]) -> dict[str, Any]:
    old, new = move_number(row.old_move_steps), move_number(row.new_move_steps)
    return {
        "row": row,
        "places": places,
        "tint": filter_tint(row.filter),
        "old": old,
        "new": new,
        "change": change_text(row),
        "change_um": micrometres(row.change_um) if row.filter != row.reference else "",
        "zone": _WORDS[row.parfocal],
        "words": f"{row.filter}: old {old}, new {new} steps",
    }


def _rails(comparison: SetComparison) -> list[dict[str, float]]:
    """Places of all filters on one rail, in per cent of its length."""
    ends = [0.0]
    for row in comparison.rows:
        reach = known(row.zone_steps) or 0.0
        old, new = known(row.old_offset_steps), known(row.new_offset_steps)
        ends += [] if old is None else [old]
        ends += [] if new is None else [new - reach, new + reach]
    ruler = Ruler.over(ends)
    return [_places(row, ruler) for row in comparison.rows]


def _places(row: SetRow, ruler: Ruler) -> dict[str, float]:
    place = ruler.place
    places = {"zero": place(0.0)}
    old, new = known(row.old_offset_steps), known(row.new_offset_steps)
    zone = known(row.zone_steps)
    if old is not None:
        places["old"] = place(old)
    if new is not None:
        places |= {"new": place(new), **ruler.bar("zone", new, zone)}
    if old is not None and new is not None:
        places["jump_from"] = min(places["old"], places["new"])
        places["jump_width"] = round(abs(places["new"] - places["old"]), 2)
    return places
