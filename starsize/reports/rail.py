"""The table of offsets for the page: words of each row, and its place on the common rail."""

from typing import Any

from ..comparison.compared import Comparison, OffsetRow
from ..setup import Setup
from .numbers import known, micrometres, move_number, short_number, signed_text
from .result import RunResult
from .ruler import Ruler
from .sentences import action_words, common_move, direction, is_colour_camera, move_text
from .tints import filter_tint


def offset_rows(result: RunResult) -> list[dict[str, Any]]:
    """One dict per filter for the template."""
    rails = rails_of(result.comparison, result.setup)
    channels = is_colour_camera(result)
    return [
        _row(row, rail, result.setup, channels=channels)
        for row, rail in zip(result.comparison.rows, rails, strict=True)
    ]


def rails_of(comparison: Comparison, setup: Setup) -> list[dict[str, float]]:
    """Lay all filters out on one rail that holds every zone, the reference and the compromise.

    Places in per cent of its length, outward to the right: of the reference (``zero``), of the
    position that serves all best, of the filter with its zone and its uncertainty; what is not
    known lacks.
    """
    sign = 1 if setup.focuser.outward == "increasing" else -1
    serve = common_move(comparison)
    ends = [0.0] if serve is None else [0.0, sign * serve]
    for row in comparison.rows:
        offset = known(row.offset_steps)
        reach = max(known(row.zone_steps) or 0.0, known(row.offset_sigma_steps) or 0.0)
        if offset is not None:
            ends += [sign * offset - reach, sign * offset + reach]
    ruler = Ruler.over(ends)
    common = {"zero": ruler.place(0.0)}
    if serve is not None:
        common["serve"] = ruler.place(sign * serve)
    return [common | _marks(row, sign, ruler) for row in comparison.rows]


def _marks(row: OffsetRow, sign: int, ruler: Ruler) -> dict[str, float]:
    offset = known(row.offset_steps)
    if offset is None:
        return {}
    return {
        "place": ruler.place(sign * offset),
        **ruler.bar("zone", sign * offset, known(row.zone_steps)),
        **ruler.bar("sigma", sign * offset, known(row.offset_sigma_steps)),
    }


def _row(row: OffsetRow, rail: dict[str, float], setup: Setup, *, channels: bool) -> dict[str, Any]:
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
