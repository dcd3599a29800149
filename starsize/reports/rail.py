"""The table of offsets for the page: words of each row, and its place on the common rail."""

from dataclasses import dataclass
from typing import Any

from ..comparison.compared import Comparison, OffsetRow
from ..setup import Setup
from .numbers import known, micrometres, move_number, short_number, signed_text
from .result import RunResult
from .ruler import Ruler
from .sentences import (
    action_words,
    common_move,
    direction,
    is_colour_camera,
    move_text,
)  # fmt: skip
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


def offset_rows(result: RunResult) -> list[dict[str, Any]]:
    """One dict per filter for the template."""
    rails = rails_of(result.comparison, result.setup)
    channels = is_colour_camera(result)
    return [
        _row(row, rail, result.setup, channels=channels)
        for row, rail in zip(result.comparison.rows, rails, strict=True)
    ]


def rails_of(comparison: Comparison, setup: Setup) -> list[Rail]:
    """Lay all filters out on one rail that holds every zone, the reference and the compromise."""
    sign = 1 if setup.focuser.outward == "increasing" else -1
    serve = common_move(comparison)
    ends = [0.0] if serve is None else [0.0, sign * serve]
    for row in comparison.rows:
        offset = known(row.offset_steps)
        reach = max(known(row.zone_steps) or 0.0, known(row.offset_sigma_steps) or 0.0)
        if offset is not None:
            ends += [sign * offset - reach, sign * offset + reach]
    ruler = Ruler.over(ends)
    return [_rail(row, sign, serve, ruler) for row in comparison.rows]


def _rail(row: OffsetRow, sign: int, serve: float | None, ruler: Ruler) -> Rail:
    place, width = ruler.place, ruler.width
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
        zone_width=None if zone is None else width(2 * zone),
        sigma_from=None if sigma is None else place(centre - sigma),
        sigma_width=None if sigma is None else width(2 * sigma),
    )


def _row(row: OffsetRow, rail: Rail, setup: Setup, *, channels: bool) -> dict[str, Any]:
    is_reference = row.filter == row.reference
    zone = short_number(row.zone_steps)
    return {
        "row": row,
        "tint": filter_tint(row.filter),
        "rail": rail,
        "rail_words": f"{row.filter}: {move_text(row.offset_steps, setup)}",
        "move": move_number(row.move_steps),
        "word": _word(row, setup, channels=channels),
        "offset": _offset_text(row),
        "offset_um": "" if is_reference else micrometres(row.offset_um),
        "zone": f"±{zone}" if zone else "",
        "is_reference": is_reference,
        "quiet": is_reference or not row.move_steps,
    }


def _word(row: OffsetRow, setup: Setup, *, channels: bool) -> str:
    """What stands beside the number."""
    words = action_words(row, channels=channels)
    way = direction(row.move_steps or 0, setup) if words not in ("refused", "reference") else ""
    if words in ("", "move"):
        return way
    return f"{way}, {words}".replace(", or", " or").removeprefix(", ") if way else words


def _offset_text(row: OffsetRow) -> str:
    if row.filter == row.reference:
        return ""
    return signed_text(row.offset_steps, row.offset_sigma_steps)
