"""Where frames tell most: positions chosen by the covariance of the best foci they would give.

The score of a pattern is the mean variance of a sweep's best focus about the others', the worst of:
best focus two critical focus zones off the middle; any one frame of every sweep lost. Patterns are
symmetric, for nobody knows on which side best focus will lie. A frame in focus tells the seeing and
not where focus is.
"""

from typing import Final

import numpy as np

from ..curves.design import Design

REACH: Final = 4.0
"""How many times as large as in focus stars become at most at the ends of a sweep."""
EVEN_REACH: Final = 3.5
"""The same for evenly spaced positions to compare with: three to four (common practice)."""
FEWEST_PLACES: Final = 5
"""Places that differ; with one lost, a curve still stands on four."""
OFF_ZONES: Final = 2.0
GRAINS: Final = 30
"""Places, at most about, from best focus to the end of a sweep."""
SPREAD: Final = 3
"""The frames of one side spread over a third of it at least."""
SEARCHED_PLACES: Final = 15
"""Of these so many are tried for the innermost and the outermost frame."""


def candidates(zone_steps: float, reach_steps: float) -> np.ndarray:
    """Places in steps from best focus: whole steps, with room for best focus to be off."""
    grain = max(1, round(max(zone_steps / 4, reach_steps / GRAINS)))
    half = int(np.ceil((1.2 * reach_steps + (OFF_ZONES + 0.5) * zone_steps) / grain)) + 1
    return grain * np.arange(-half, half + 1)


def reach_of(design: Design, name: str, times: float) -> int:
    """How many places from the middle stars are so many times as large as in focus."""
    radius = design.filters[name].radius_px
    middle = radius.size // 2
    return int(np.searchsorted(radius[middle:], times * radius.min()))


def best_pattern(design: Design, frames: int, *, shift: int, reach: int) -> np.ndarray:
    """Places from the middle that tell most: half of the frames on each side, evenly spaced there.

    Free places for every frame tell 1 to 3 % more, and crowd at two places, where nothing would
    show a curve that is not as expected. Where nothing tells more, all are evenly spaced.

    Parameters
    ----------
    design : Design
    frames : int
        Even.
    shift : int
        Two zones, in places.
    reach : int
        Furthest place.

    Returns
    -------
    (frames,) int array
        Sorted.
    """
    half, stride = frames // 2, max(1, round(reach / SEARCHED_PLACES))
    tried = [even_pattern(frames, reach)]
    tried += [
        _both(np.round(np.linspace(inner, outer, half)).astype(int))
        for inner in range(1, reach, stride)
        for outer in range(reach, inner + reach // SPREAD - 1, -stride)
    ]
    return np.sort(min(tried, key=lambda some: robust_variance(design, some, shift=shift)))


def even_pattern(frames: int, reach: int) -> np.ndarray:
    """Indices of evenly spaced places, (frames,)."""
    return np.round(np.linspace(-reach, reach, frames)).astype(int)


def counts(design: Design, pattern: np.ndarray, *, shift: int = 0) -> np.ndarray:
    """How many frames stand at each place."""
    middle = design.away_steps.size // 2
    return np.bincount(pattern + middle + shift, minlength=design.away_steps.size)


def variance(design: Design, count_: np.ndarray) -> float:
    """Mean variance of best focus about the mean of one sweep of each filter, steps squared."""
    covariance = design.covariance([(name, count_) for name in design.filters])
    sweeps = len(covariance)
    return float((np.trace(covariance) - covariance.mean() * sweeps) / (sweeps - 1))


def robust_variance(design: Design, pattern: np.ndarray, *, shift: int) -> float:
    """The score of a pattern."""
    if np.unique(pattern).size < FEWEST_PLACES:
        return float("inf")
    lost = (np.delete(pattern, i) for i in range((pattern.size + 1) // 2))
    worst = max(variance(design, counts(design, some)) for some in lost)
    return max(worst, variance(design, counts(design, pattern, shift=shift)))


def _both(side: np.ndarray) -> np.ndarray:
    return np.concatenate([-side, side])
