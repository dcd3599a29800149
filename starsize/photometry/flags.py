"""Why a star is not to be trusted, as bits that can be combined."""

from collections.abc import Mapping
from enum import IntFlag
from typing import Final

import numpy as np


class StarFlag(IntFlag):
    """Reasons to set a star aside; 0 means none.

    Examples
    --------
    >>> flag = StarFlag.SATURATED | StarFlag.EDGE
    >>> bool(flag & StarFlag.SATURATED), bool(flag & StarFlag.BLENDED)
    (True, False)
    """

    EDGE = 1
    """Its light, or its sky, reaches beyond the frame."""
    SATURATED = 2
    """A pixel within its light stands at the ceiling of the camera."""
    BLENDED = 4
    """Another star shares its light."""
    FAINT = 8
    """Too faint for its radius to mean anything."""
    SHAPE = 16
    """Not like the other stars of the frame: a trail, a spike, a galaxy, a cosmic ray."""
    MASKED = 32
    """Too many of its pixels cannot be used."""
    UNMEASURED = 64
    """No radius could be found."""


#: How each reason reads in a report.
FLAG_WORDS: Final[Mapping[StarFlag, str]] = {
    StarFlag.EDGE: "at the edge",
    StarFlag.SATURATED: "saturated",
    StarFlag.BLENDED: "blended",
    StarFlag.FAINT: "too faint",
    StarFlag.SHAPE: "not like a star",
    StarFlag.MASKED: "bad pixels",
    StarFlag.UNMEASURED: "not measurable",
}


def count_flags(flags: np.ndarray) -> dict[str, int]:
    """Count how many stars carry each flag, by flag name, leaving out those that none carries.

    Examples
    --------
    >>> count_flags(np.array([0, StarFlag.EDGE, StarFlag.EDGE | StarFlag.FAINT]))
    {'edge': 2, 'faint': 1}
    """
    bits = np.asarray(flags, int)
    counts = {flag: int(np.count_nonzero(bits & flag)) for flag in StarFlag}
    return {str(flag.name).lower(): n for flag, n in counts.items() if n}
