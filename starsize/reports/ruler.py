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
        >>> ruler = Ruler.over([-10, 10])
        >>> ruler.place(0.0), ruler.width(10.6)
        (50.0, 50.0)
        """
        low, high = min(ends := list(ends)), max(ends)
        length = 1.06 * (high - low) or 1.0
        return cls((low + high - length) / 2, length)

    def place(self, value: float) -> float:
        """Where a value lies."""
        return round(100 * (value - self.start) / self.length, 2)

    def width(self, value: float) -> float:
        """How long a stretch is."""
        return round(100 * value / self.length, 2)
