"""Light that is not a star's own: its neighbours marked, and spoilt pixels filled in."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from .star_lists import nearest

#: A neighbour brighter than this share of the star matters.
NEIGHBOUR_SHARE = 0.01
#: A neighbour closer than this (in half-flux radii) cannot be cut away.
_TOUCHING = 2.4


@dataclass(frozen=True, slots=True, eq=False)
class Neighbours:
    """Everything that shines in the frame: places (n, 2) and brightness in any one unit."""

    places: np.ndarray
    brightness: np.ndarray


def is_itself(distance: np.ndarray, radius_px: float) -> np.ndarray:
    """True where what shines at this distance from a star is the star itself."""
    return distance < 0.6 * radius_px + 0.5


def mark_neighbours(
    spoilt: np.ndarray,
    whole: np.ndarray,
    offset: np.ndarray,
    half: int,
    guess: float,
    neighbours: Neighbours,
) -> np.ndarray:
    """Mark the light of neighbours as spoilt; return which stars touch one too closely."""
    blended = np.zeros(len(whole), bool)
    if len(neighbours.places) < 2:
        return blended
    place = whole + offset
    steps = np.arange(-half, half + 1)
    own = _own_brightness(place, neighbours)
    lists = cKDTree(neighbours.places).query_ball_point(place, half + 1.5 * guess)
    for i, others in enumerate(lists):
        for j in others:
            gap = neighbours.places[j] - place[i]
            distance = np.hypot(*gap)
            share = neighbours.brightness[j] / own[i]
            if is_itself(distance, guess) or share < NEIGHBOUR_SHARE:
                continue
            if distance < _TOUCHING * guess:
                blended[i] = True
            # A brighter neighbour shines further out.
            size = guess * (1.6 + 0.4 * np.log10(max(share, 1.0)))
            x, y = neighbours.places[j] - whole[i]
            spoilt[i] |= (steps - x) ** 2 + ((steps - y) ** 2)[:, None] <= size**2
    return blended


def _own_brightness(place: np.ndarray, neighbours: Neighbours) -> np.ndarray:
    gap, closest = nearest(neighbours.places, place)
    faintest = float(np.min(neighbours.brightness))
    return np.where(gap < 3.0, neighbours.brightness[closest], faintest)


def fill_from_opposite(cut: np.ndarray, spoilt: np.ndarray, offset: np.ndarray) -> None:
    """Give spoilt pixels the value of the pixel opposite the star; sky where that is spoilt too.

    Stars in and out of focus look alike when turned by half a turn; their neighbours do not.
    """
    half = cut.shape[1] // 2
    stars, rows, columns = np.nonzero(spoilt)
    if stars.size == 0:
        return
    twin_row = 2 * half + np.rint(2 * offset[stars, 1]).astype(int) - rows
    twin_column = 2 * half + np.rint(2 * offset[stars, 0]).astype(int) - columns
    last = cut.shape[1] - 1
    inside = (twin_row >= 0) & (twin_row <= last) & (twin_column >= 0) & (twin_column <= last)
    twin_row, twin_column = np.clip(twin_row, 0, last), np.clip(twin_column, 0, last)
    usable = inside & ~spoilt[stars, twin_row, twin_column]
    cut[stars, rows, columns] = np.where(usable, cut[stars, twin_row, twin_column], 0.0)
