"""The table of offsets for the page: words of each row, and its place on the common rail."""

from dataclasses import dataclass
from typing import Any

from ..comparison.compared import Comparison, OffsetRow
from ..estimate import Estimate
from ..setup import Setup
from .numbers import estimate_text, known, micrometres, short_number
from .sentences import direction, move_text
from .tints import filter_tint


@dataclass(frozen=True, slots=True)
class Rail:
    """A filter on the rail: places in per cent of its length, outward to the right."""

    zero: float | None = None
    """The reference."""
    serve: float | None = None
    """The position that serves all filters best."""
    place: float | None = None
    zone_from: float | None = None
    zone_width: float | None = None
    sigma_from: float | None = None
    sigma_width: float | None = None


def offset_rows(comparison: Comparison, setup: Setup) -> list[dict[str, Any]]:
    """One dict per filter for the template."""
    rails = rails_of(comparison, setup)
    return [_row(row, rail, setup) for row, rail in zip(comparison.rows, rails, strict=True)]


def rails_of(comparison: Comparison, setup: Setup) -> list[Rail]:
    """Lay all filters out on one rail that holds every zone, the reference and the compromise."""
    sign = 1 if setup.focuser.outward == "increasing" else -1
    serve = _serve(comparison)
    ends = [0.0] if serve is None else [0.0, sign * serve]
    for row in comparison.rows:
        offset = known(row.offset_steps)
        reach = max(known(row.zone_steps) or 0.0, known(row.offset_sigma_steps) or 0.0)
        if offset is not None:
            ends += [sign * offset - reach, sign * offset + reach]
    length = 1.06 * (max(ends) - min(ends)) or 1.0
    start = (min(ends) + max(ends) - length) / 2
    return [_rail(row, sign, serve, start=start, length=length) for row in comparison.rows]


def _serve(comparison: Comparison) -> float | None:
    """The best common position counted from the reference, steps."""
    common = known(comparison.colour.compromise_steps)
    for row in comparison.rows:
        best = known(row.best_focus_steps)
        if row.filter == comparison.reference and common is not None and best is not None:
            return common - best
    return None


def _rail(row: OffsetRow, sign: int, serve: float | None, *, start: float, length: float) -> Rail:
    def place(value: float) -> float:
        return round(100 * (value - start) / length, 2)

    zero, common = place(0.0), None if serve is None else place(sign * serve)
    offset = known(row.offset_steps)
    if offset is None:
        return Rail(zero, common)
    zone, sigma = known(row.zone_steps), known(row.offset_sigma_steps)
    centre = sign * offset
    return Rail(
        zero,
        common,
        place=place(centre),
        zone_from=None if zone is None else place(centre - zone),
        zone_width=None if zone is None else round(200 * zone / length, 2),
        sigma_from=None if sigma is None else place(centre - sigma),
        sigma_width=None if sigma is None else round(200 * sigma / length, 2),
    )


def _row(row: OffsetRow, rail: Rail, setup: Setup) -> dict[str, Any]:
    is_reference = row.filter == row.reference
    zone = short_number(row.zone_steps)
    return {
        "row": row,
        "tint": filter_tint(row.filter),
        "rail": rail,
        "rail_words": f"{row.filter}: {move_text(row.offset_steps, setup)}",
        "word": _word(row, setup),
        "offset": _offset_text(row),
        "offset_um": "" if is_reference else micrometres(row.offset_um),
        "zone": f"±{zone}" if zone else "",
        "is_reference": is_reference,
        "quiet": is_reference or row.action == "ignore" or not row.move_steps,
    }


def _word(row: OffsetRow, setup: Setup) -> str:
    """What stands beside the number."""
    if row.status == "refused":
        return "refused"
    if row.filter == row.reference:
        return "reference"
    if row.action == "ignore" or (row.action == "move" and not row.move_steps):
        return "leave it"
    way = "" if row.move_steps is None else direction(row.move_steps, setup)
    return f"{way}, refocus".removeprefix(", ") if row.action == "refocus" else way


def _offset_text(row: OffsetRow) -> str:
    offset, sigma = known(row.offset_steps), known(row.offset_sigma_steps)
    if offset is None or row.filter == row.reference:
        return ""
    return estimate_text(Estimate(offset, float("nan") if sigma is None else sigma), signed=True)
