"""Where frames stand: evenly spaced, to where stars are four times as large as in focus.

By the covariance a sweep tells most with ends at 3.6 to 4.1 times, whatever the telescope, and four
is within 2 % of the best. As many on both wings and one in focus promise 6 to 8 % smaller errors,
and drawn nights gave 9 % (scripts/results/plan.md): a sixth of the exposures, too little for a
sweep that has to know where focus is.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

REACH: Final = 4.0
"""How many times as large as in focus stars are at the ends of a sweep; three to four is common
practice."""

WANTED_STARS: Final = 25
"""Stars to be measured in a frame: enough that trails, doubles and edges do not count (common
practice)."""
SHORTEST_S: Final = 2.0
"""Shorter exposures freeze the seeing, and their stars scatter more (common practice)."""
LONGEST_S: Final = 60.0
COUNT_SLOPE: Final = 0.75
"""Stars brighter than F go as F^-0.75: a count that doubles with each magnitude (common
practice)."""
LIGHT_POWER: Final = 0.25
"""The star noise of a frame falls with this power of its light: photons alone would make it 1/2,
drawn frames give 0 to 0.3, for fainter stars join and their places among the pixels count too
(scripts/results/plan.md)."""
_NICE: Final = (2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60)


def reach_steps(floor_px: float, wing_px_per_step: float) -> float:
    """How far from focus a sweep goes: size in focus and defocus add in squares."""
    return float(np.sqrt(REACH**2 - 1)) * floor_px / wing_px_per_step


def even_positions(frames: int, reach: float) -> np.ndarray:
    """(frames,) positions, evenly spaced, in steps from best focus to about ``reach``."""
    half = (frames - 1) / 2
    spacing = max(1, round(reach / half))
    return np.round(spacing * (np.arange(frames) - half)).astype(int)


def order_of_sweeps(
    reference: str, others: Sequence[str], *, rounds: int, between: int
) -> tuple[str, ...]:
    """Filter of each sweep.

    The reference begins and ends every round and stands after every ``between`` other filters, so
    that cooling and scatter show; every second round goes back, so that a steady drift cancels.

    >>> order_of_sweeps("L", ("R", "G", "B"), rounds=1, between=2)
    ('L', 'R', 'G', 'L', 'B', 'L')
    """
    parts = -(-len(others) // between)
    size = -(-len(others) // parts)
    order = [reference]
    for number in range(rounds):
        way = list(others) if number % 2 == 0 else list(others)[::-1]
        for start in range(0, len(way), size):
            order += [*way[start : start + size], reference]
    return tuple(order)


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """A frame's bandwidth times exposure, stars behind its radius, star noise over radius."""

    light_nm_s: float
    stars: int
    noise_in_it: float

    def exposure_s(self, width_nm: float) -> float:
        """Exposure that shows the stars wanted through a band, within reason, a round number."""
        needed = self.light_nm_s * (WANTED_STARS / self.stars) ** (1 / COUNT_SLOPE)
        seconds = min(max(needed / width_nm, SHORTEST_S), LONGEST_S)
        return float(next(nice for nice in _NICE if nice >= seconds - 0.05))

    def stars_in(self, light_nm_s: float) -> float:
        """About how many stars another frame shows."""
        return self.stars * (light_nm_s / self.light_nm_s) ** COUNT_SLOPE

    def noise(self, light_nm_s: float) -> float:
        """Star noise over radius of another frame."""
        return self.noise_in_it * (light_nm_s / self.light_nm_s) ** -LIGHT_POWER


USUAL_LIGHT: Final = Light(light_nm_s=900.0, stars=80, noise_in_it=0.01)
"""An ordinary field: 3 s through 300 nm show 80 stars (invented, as practice nights have it)."""
