"""A number with its standard uncertainty, what a layer found, and a notice to the person."""

import math
from dataclasses import dataclass
from typing import Any

from .conventions import UNKNOWN


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value and its standard uncertainty, both in the unit that the holder's name states.

    ``sigma`` is NaN where the value was given without an uncertainty.
    """

    value: float
    sigma: float = UNKNOWN

    @property
    def is_known(self) -> bool:
        """True if there is a finite value."""
        return math.isfinite(self.value)

    @property
    def relative(self) -> float:
        """The uncertainty as a share of the value; 0 where none was given."""
        return self.sigma / abs(self.value) if math.isfinite(self.sigma) else 0.0

    def times(self, factor: float) -> "Estimate":
        """The same in another unit."""
        return Estimate(self.value * factor, self.sigma * abs(factor))


class Finding(str):
    """What a layer found: a code, and the facts behind it, before anyone puts it into words.

    It stands where the sentence will stand and reads as its code; ``reports.words.worded`` makes
    the sentence of it.
    """

    facts: dict[str, Any]

    def __new__(cls, code: str, **facts: Any) -> "Finding":
        """``facts`` are what the sentence needs: numbers, names, other findings."""
        found = super().__new__(cls, code)
        found.facts = facts
        return found


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the person should know: a stable code for scripts and a sentence for people."""

    code: str
    text: str


def notice(code: str, **facts: Any) -> Notice:
    """A notice that is not in words yet."""
    return Notice(code, Finding(code, **facts))


NOT_KNOWN = Estimate(UNKNOWN)
"""An estimate nothing is known about."""
