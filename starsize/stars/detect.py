"""Finding stars of unknown size: one object each, from needle-sharp to doughnut."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from .background import Sky, bin_mean
from .star_lists import weighted_median

_VOTERS, _PEAKS_A_BOX = 40, 300
_VOTING_PIXELS = 500_000
#: Widths of the two boxes laid over each level of binning, in pixels of that level, and the noise
#: of their sum for unit noise of a pixel: the weights 1 2 1, and three equal ones.
_BOXES = ((2.0, 6.0), (3.0, 3.0))
_ENOUGH_SAMPLES = 400


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Where something star-sized stands out, brightest first.

    Attributes
    ----------
    x, y : (n,) arrays
        Pixels, good to a fraction of ``scale_px``.
    peak : (n,) array
        Signal-to-noise ratio in the box that found it.
    scale_px : float
        Width of the box that fits the stars of this frame best.
    """

    x: np.ndarray
    y: np.ndarray
    peak: np.ndarray
    scale_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Level:
    """Sky-free image binned by ``factor``."""

    flat: np.ndarray
    factor: int


def find_places(
    flat: np.ndarray,
    factor: int,
    sky: Sky,
    *,
    threshold: float,
    scale_px: float | None = None,
    star_like: Callable[[np.ndarray], np.ndarray] | None = None,
) -> Places:
    """Find everything that stands out at the one scale that suits the frame.

    Boxes of many widths are laid over a binned image. A star stands out most in a box about as
    wide as itself, whose response has a single peak, at the middle of the star even when the star
    is a ring. The scale at which the brightest objects stand out most is that of the frame.

    Parameters
    ----------
    flat : (ny, nx) array
        Image binned by ``factor``, sky taken off.
    threshold : float
        Signal-to-noise ratio in the box.
    scale_px : float, optional
        Box width, where it is known.
    star_like : callable, optional
        Told (n, 3) rows of x, y, box width; says which may be stars and so vote for the scale.
    """
    levels = [_Level(flat, factor)]
    while min(levels[-1].flat.shape) >= 6:
        levels.append(_Level(bin_mean(levels[-1].flat), 2 * levels[-1].factor))
    if scale_px is None:
        scale_px = _frame_scale(levels, sky.noise, threshold, star_like)
    level, box = min(
        ((level, box) for level in levels for box in range(len(_BOXES))),
        key=lambda lb: abs(np.log(_BOXES[lb[1]][0] * lb[0].factor / scale_px)),
    )
    width = _BOXES[box][0] * level.factor
    rows = _drop_satellites(_peaks(level, box, sky.noise, threshold), width)
    return Places(rows[:, 1], rows[:, 2], rows[:, 0], width)


def _frame_scale(
    levels: list[_Level],
    noise: float,
    threshold: float,
    star_like: Callable[[np.ndarray], np.ndarray] | None,
) -> float:
    """Box width at which the brightest objects stand out most."""
    part = _voting_window(levels[0].flat.shape)
    for fraction, least in ((part, 2 * threshold), (1.0, threshold)):
        rows = [
            _peaks(_Level(_middle_part(level.flat, fraction), level.factor), box, noise, least)
            for level in levels
            for box in range(len(_BOXES))
        ]
        winners = _winners(np.concatenate([r[:_PEAKS_A_BOX] for r in rows]))
        if star_like is not None and len(winners):
            winners = winners[star_like(winners[:, 1:])]
        winners = winners[:_VOTERS]
        if len(winners) >= 10:
            break
    if not len(winners):
        return _BOXES[0][0] * levels[0].factor
    # What barely stands out may be a ripple of the sky: it hardly has a vote.
    return weighted_median(winners[:, 3], np.log(winners[:, 0] / (0.9 * threshold)))


def _voting_window(shape: tuple[int, ...]) -> float:
    """A part of a large frame is enough to settle the scale."""
    return float(min(1.0, np.sqrt(_VOTING_PIXELS / (shape[0] * shape[1]))))


def _middle_part(image: np.ndarray, fraction: float) -> np.ndarray:
    if fraction >= 1:
        return image
    ny, nx = image.shape
    dy, dx = (round(n * (1 - fraction) / 2) for n in (ny, nx))
    return image[dy : ny - dy, dx : nx - dx]


def _winners(rows: np.ndarray) -> np.ndarray:
    """The strongest peak of each object over all box widths."""
    rows = rows[np.argsort(-rows[:, 0])]
    winners: list[np.ndarray] = []
    while len(rows) and len(winners) < 4 * _VOTERS:
        best = rows[0]
        winners.append(best)
        # A smaller box on the rim of a ring, or a larger one on its outskirts, is the same star.
        apart = (rows[:, 1] - best[1]) ** 2 + (rows[:, 2] - best[2]) ** 2
        rows = rows[apart > (0.75 * np.maximum(rows[:, 3], best[3])) ** 2]
    return np.array(winners).reshape(-1, 4)


def _peaks(level: _Level, box: int, noise: float, threshold: float) -> np.ndarray:
    """(n, 4) rows of signal-to-noise ratio, x, y, box width; brightest first."""
    width, spread = _BOXES[box]
    if min(level.flat.shape) < 3:
        return np.zeros((0, 4))
    smooth = _smooth(level.flat, box)
    sample = smooth.ravel()[:: max(1, smooth.size // 100_000)]
    spread = spread * noise / level.factor
    middle = 0.0
    if sample.size >= _ENOUGH_SAMPLES:
        # Crowds of faint stars and a restless sky are noise too, where there is enough to tell.
        middle = float(np.median(sample))
        spread = max(spread, middle - float(np.quantile(sample, 0.1587)))
    if not spread > 0:
        # No noise at all: a constant or empty image, in which nothing can stand out.
        return np.zeros((0, 4))
    value, rows, columns = _local_peaks(smooth, middle + threshold * spread)
    # The sums begin one pixel inside the image.
    place = (columns + 1.5) * level.factor - 0.5, (rows + 1.5) * level.factor - 0.5
    ratio = (value - middle) / spread
    return np.stack([ratio, *place, np.full(value.size, width * level.factor)], axis=1)


def _smooth(image: np.ndarray, box: int) -> np.ndarray:
    """Sum under the box where it lies wholly inside, in strips that stay in the processor's cache.

    Weights 1 2 1 are two sums of neighbours in turn.
    """
    ny, nx = image.shape
    out = np.empty((ny - 2, nx - 2), image.dtype)
    for top in range(0, ny - 2, 64):
        part = image[top : min(top + 64, ny - 2) + 2]
        rows = part[:-1] + part[1:]
        rows = rows[:-1] + rows[1:] if box == 0 else rows[:-1] + part[2:]
        columns = rows[:, :-1] + rows[:, 1:]
        into = out[top : top + len(rows)]
        np.add(columns[:, :-1], columns[:, 1:] if box == 0 else rows[:, 2:], out=into)
    return out


def _local_peaks(image: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(value, row, column) of pixels above ``least`` and above their eight neighbours."""
    ny, nx = image.shape
    where = np.flatnonzero(image.ravel() > least)
    rows, columns = np.divmod(where, nx)
    value = image.ravel()[where]
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (-1, -1), (1, -1), (-1, 1)):
        r, c = rows + dy, columns + dx
        other = image[np.clip(r, 0, ny - 1), np.clip(c, 0, nx - 1)]
        beyond = (r < 0) | (r >= ny) | (c < 0) | (c >= nx)
        # On a plateau the last pixel in reading order wins.
        keep = beyond | (value > other if (dy, dx) > (0, 0) else value >= other)
        rows, columns, value = rows[keep], columns[keep], value[keep]
    order = np.argsort(-value, kind="stable")
    return value[order], rows[order], columns[order]


def _drop_satellites(rows: np.ndarray, width: float) -> np.ndarray:
    """Leave out peaks that are only bumps on the wings of a much brighter neighbour."""
    if len(rows) < 2:
        return rows
    pairs = cKDTree(rows[:, 1:3]).query_pairs(2.5 * width, output_type="ndarray")
    # Rows run from bright to faint, so the smaller index is the brighter of a pair.
    bright, faint = pairs.min(axis=1), pairs.max(axis=1)
    gap = np.hypot(*(rows[bright, 1:3] - rows[faint, 1:3]).T) / width
    bump = rows[faint, 0] < rows[bright, 0] * 0.3 * np.maximum(gap, 0.5) ** -3
    keep = np.ones(len(rows), bool)
    keep[faint[bump]] = False
    return rows[keep]
