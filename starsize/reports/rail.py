"""The table of offsets for the page, and the rail on which filters are laid out."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from ..comparison.compared import Comparison, OffsetRow
from ..setup import Setup
from .numbers import known, short_number, signed_text
from .result import RunResult
from .sentences import action_words, common_move, direction, is_colour_camera, move_text


@dataclass(frozen=True, slots=True)
class Ruler:
    """A rail from ``start``, ``length`` long, in the unit of what is laid out on it."""

    start: float
    length: float

    @classmethod
    def over(cls, ends: Iterable[float]) -> "Ruler":
        """One that holds all these, with a little room at both ends.

        Examples
        --------
        >>> Ruler.over([-10, 10]).place(0.0)
        50.0
        """
        low, high = min(ends := list(ends)), max(ends)
        length = 1.06 * (high - low) or 1.0
        return cls((low + high - length) / 2, length)

    def place(self, value: float) -> float:
        """Where a value lies."""
        return round(100 * (value - self.start) / self.length, 2)

    def bar(self, name: str, centre: float | None, half: float | None) -> dict[str, float]:
        """Where a stretch to both sides of a place begins and how wide it is; none without it.

        Examples
        --------
        >>> Ruler(0.0, 200.0).bar("zone", 50.0, 10.0)
        {'zone_from': 20.0, 'zone_width': 10.0}
        """
        if centre is None or half is None:
            return {}
        width = round(100 * 2 * half / self.length, 2)
        return {f"{name}_from": self.place(centre - half), f"{name}_width": width}

    def marks(self, **values: float | None) -> dict[str, float]:
        """Where values lie that are known, by name."""
        return {name: self.place(one) for name, one in values.items() if one is not None}


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

    def outward(steps: float | None) -> float | None:
        at = known(steps)
        return None if at is None else sign * at

    serve = outward(common_move(comparison))
    shown = [
        (outward(row.offset_steps), known(row.zone_steps), known(row.offset_sigma_steps))
        for row in comparison.rows
    ]
    ends = [0.0] if serve is None else [0.0, serve]
    for offset, zone, sigma in shown:
        if offset is not None:
            reach = max(zone or 0.0, sigma or 0.0)
            ends += [offset - reach, offset + reach]
    ruler = Ruler.over(ends)
    return [
        ruler.marks(zero=0.0, serve=serve, place=offset)
        | ruler.bar("zone", offset, zone)
        | ruler.bar("sigma", offset, sigma)
        for offset, zone, sigma in shown
    ]


def _row(row: OffsetRow, rail: dict[str, float], setup: Setup, *, channels: bool) -> dict[str, Any]:
    is_reference = row.filter == row.reference
    zone = short_number(row.zone_steps)
    return {
        "row": row,
        "rail": rail,
        "rail_words": f"{row.filter}: {move_text(row.offset_steps, setup)}",
        "word": _word(row, setup, channels=channels),
        "offset": "" if is_reference else signed_text(row.offset_steps, row.offset_sigma_steps),
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
