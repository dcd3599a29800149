"""How much light a frame of a sweep needs, by what a test frame showed."""

from dataclasses import dataclass
from typing import Final

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


@dataclass(frozen=True, slots=True, kw_only=True)
class Light:
    """What a frame showed.

    ``light_nm_s`` is its bandwidth times exposure, ``stars`` those behind its radius,
    ``noise_in_it`` star noise over radius in focus.
    """

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
