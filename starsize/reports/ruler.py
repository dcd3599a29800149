"""Places on a rail that several filters share, in per cent of its length."""

from collections.abc import Iterable
from dataclasses import dataclass


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

    def bar(self, name: str, centre: float, half: float | None) -> dict[str, float]:
        """Where a stretch to both sides of a place begins and how wide it is; none without it.

        Examples
        --------
        >>> Ruler(0.0, 200.0).bar("zone", 50.0, 10.0)
        {'zone_from': 20.0, 'zone_width': 10.0}
        """
        if half is None:
            return {}
        width = round(100 * 2 * half / self.length, 2)
        return {f"{name}_from": self.place(centre - half), f"{name}_width": width}
