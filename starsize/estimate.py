"""A number with its standard uncertainty, and a notice in plain words."""

import math
from dataclasses import dataclass

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


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the person should know: a stable code for scripts and a sentence for people."""

    code: str
    text: str


NOT_KNOWN = Estimate(UNKNOWN)
"""An estimate nothing is known about."""
