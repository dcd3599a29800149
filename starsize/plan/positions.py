"""Where frames stand: evenly spaced, to where stars are four times as large as in focus.

By the covariance a sweep tells most with ends at 3.6 to 4.1 times, whatever the telescope, and four
is within 2 % of the best. As many on both wings and one in focus promise 6 to 8 % smaller errors,
and drawn nights gave 9 % (scripts/results/plan.md): a sixth of the exposures, too little for a
sweep that has to know where focus is.
"""

from collections.abc import Sequence
from typing import Final

import numpy as np

REACH: Final = 4.0
"""How many times as large as in focus stars are at the ends of a sweep; three to four is common
practice."""


def reach_steps(floor_px: float, wing_px_per_step: float) -> float:
    """How far from focus a sweep goes: size in focus and defocus add in squares."""
    return float(np.sqrt(REACH**2 - 1)) * floor_px / wing_px_per_step


def even_positions(frames: int, reach: float) -> np.ndarray:
    """Positions (frames,) of a sweep, in steps from best focus, to about ``reach``.

    Of an odd number of frames one stands in the middle and all spacings are the same.
    """
    half = (frames - 1) / 2
    spacing = max(1, round(reach / half))
    return np.round(spacing * (np.arange(frames) - half)).astype(int)


def order_of_sweeps(
    reference: str, others: Sequence[str], *, rounds: int, between: int
) -> tuple[str, ...]:
    """Filter of each sweep.

    The reference begins and ends every round and stands after every ``between`` other filters, so
    that cooling and scatter show; every second round goes back, so that a steady drift cancels.

    Examples
    --------
    >>> order_of_sweeps("L", ("R", "G", "B"), rounds=1, between=2)
    ('L', 'R', 'G', 'L', 'B', 'L')
    >>> order_of_sweeps("L", ("R", "G"), rounds=2, between=4)
    ('L', 'R', 'G', 'L', 'G', 'R', 'L')
    """
    parts = -(-len(others) // between)
    size = -(-len(others) // parts)
    order = [reference]
    for number in range(rounds):
        way = list(others) if number % 2 == 0 else list(others)[::-1]
        for start in range(0, len(way), size):
            order += [*way[start : start + size], reference]
    return tuple(order)
