"""The rail on which a page lays filters out, and the colours that stand for them."""

from collections.abc import Iterable
from dataclasses import dataclass

from ..comparison.compared import Comparison
from ..comparison.sets import SetComparison
from ..filters import BANDS
from ..setup import Setup
from .numbers import known
from .sentences import from_reference


@dataclass(frozen=True, slots=True)
class Ruler:
    """A rail from ``start``, ``length`` long; with a ``sense`` of -1 it counts to the left."""

    start: float
    length: float
    sense: int = 1

    @classmethod
    def over(cls, stretches: Iterable[tuple[float | None, float]], sense: int = 1) -> "Ruler":
        """One that holds 0 and these stretches (centre, half of it), with a little room.

        >>> Ruler.over([(0.0, 10.0)]).place(5.0), Ruler.over([(0.0, 10.0)]).bar(5.0, 1.0)
        (73.58, (68.87, 9.43))
        """
        known_ones = [(sense * c, half) for one, half in stretches if (c := known(one)) is not None]
        low = min([0.0, *(centre - half for centre, half in known_ones)])
        high = max([0.0, *(centre + half for centre, half in known_ones)])
        length = 1.06 * (high - low) or 1.0
        return cls((low + high - length) / 2, length, sense)

    def place(self, value: float | None) -> float | None:
        """Where a value lies, in per cent of the rail; None where it is not known."""
        at = known(value)
        return None if at is None else self._share(self.sense * at)

    def bar(self, centre: float | None, half: float | None) -> tuple[float, float] | None:
        """Where a stretch to both sides of a place begins, and how wide it is; None without it."""
        middle, reach = known(centre), known(half)
        if middle is None or reach is None:
            return None
        return self._share(self.sense * middle - reach), round(100 * 2 * reach / self.length, 2)

    def _share(self, outward: float) -> float:
        return round(100 * (outward - self.start) / self.length, 2)


def offsets_ruler(comparison: Comparison, setup: Setup) -> Ruler:
    """One for all filters, their zones and the best common position, outward to the right."""
    serve = from_reference(comparison.colour.compromise_steps, comparison)
    rows = [
        (row.offset_steps, max(known(row.zone_steps) or 0.0, known(row.offset_sigma_steps) or 0.0))
        for row in comparison.rows
    ]
    return Ruler.over([(serve, 0.0), *rows], 1 if setup.focuser.outward == "increasing" else -1)


def sets_ruler(comparison: SetComparison) -> Ruler:
    """One for the offsets of two runs, with the zones about the new ones."""
    old = [(row.old_offset_steps, 0.0) for row in comparison.rows]
    new = [(row.new_offset_steps, known(row.zone_steps) or 0.0) for row in comparison.rows]
    return Ruler.over([*old, *new])


def filter_tint(name: str) -> str:
    """Name of the CSS colour of a filter; the same for the same name everywhere."""
    return name if name in BANDS else f"other-{spare_number(name)}"


def spare_number(name: str) -> int:
    """1, 2 or 3, the colours that the page keeps for filters it does not know."""
    return 1 + sum(name.encode()) % 3
