"""Which filters have to be left out before one focus position serves all others."""

from collections.abc import Callable, Sequence

import numpy as np

from ..compared import ColourWord
from .verdict import compromise_position

#: Fewer than this many filters left are no set.
_FEWEST = 3


def odd_ones_out(
    filters: Sequence[str],
    position_steps: np.ndarray,
    zone_steps: np.ndarray,
    word: Callable[[Sequence[str]], ColourWord],
) -> tuple[tuple[str, ...], float | None]:
    """Leave out the filter furthest from the common position, until the others are together.

    ``word`` is the verdict on some of the filters; positions and zones are (k,) arrays in steps.
    The filters left out come in order, with the position that serves the others best; none where
    all are together anyway, or where fewer than three others, or not more than were left out, would
    remain.
    """
    left = list(range(len(filters)))
    out: list[int] = []
    while word([filters[i] for i in left]) != "together":
        common = compromise_position(position_steps[left], zone_steps[left])
        # Of the two that bind, the one is odd without which the others lie closer together.
        bind = sorted(left, key=lambda i: -abs(position_steps[i] - common) / zone_steps[i])[:2]
        far = min(bind, key=lambda i: _spread(position_steps, zone_steps, left, without=i))
        left.remove(far)
        out.append(far)
        if len(left) < max(_FEWEST, len(out) + 1):
            return (), None
    if not out:
        return (), None
    common = compromise_position(position_steps[left], zone_steps[left])
    return tuple(filters[i] for i in sorted(out)), common


def _spread(position: np.ndarray, zone: np.ndarray, left: Sequence[int], *, without: int) -> float:
    """How far the others lie from their own common position, in their zones, at most."""
    rest = [i for i in left if i != without]
    common = compromise_position(position[rest], zone[rest])
    return float(np.max(np.abs(position[rest] - common) / zone[rest]))
