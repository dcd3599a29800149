"""Finding stars of unknown size: one object each, from needle-sharp to doughnut."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from .background import Sky, bin_mean

_PEAKS_PER_SCALE = 200
_VOTERS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """Places where something star-sized stands out.

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


def find_places(
    binned: np.ndarray,
    factor: int,
    sky: Sky,
    *,
    threshold: float = 5.0,
    scale_px: float | None = None,
) -> Found:
    """Find everything that stands out at the one scale that suits the frame.

    Boxes of many widths are laid over a binned image. A star stands out most in a box about as
    wide as itself, whose response has a single peak, at the middle of the star even when the star
    is a ring. The scale at which the brightest objects stand out most is that of the frame.

    Parameters
    ----------
    binned : (ny, nx) array
        Image binned by ``factor``, sky included.
    threshold : float
        Signal-to-noise ratio in the box.
    scale_px : float, optional
        Box width, where it is known.
    """
    flat = binned - sky.on_grid(binned.shape, factor)
    np.nan_to_num(flat, copy=False)
    levels = {}
    peaks: list[tuple[float, np.ndarray]] = []
    level, b = flat, factor
    while min(level.shape) >= 5:
        for size in (3, 5):
            width = float(size * b) if b > factor or size > 3 else 2.0 * b
            if scale_px is None or abs(np.log(width / scale_px)) < 0.3:
                ratio = _box_ratio(level, size, narrow=width == 2.0 * b)
                found = _local_peaks(ratio, threshold)
                levels[width] = (found, b)
                peaks.append((width, _as_rows(found, b, width)[:_PEAKS_PER_SCALE]))
        level, b = bin_mean(level), 2 * b
    best = scale_px if scale_px is not None else _frame_scale(peaks, levels)
    width = min(levels, key=lambda w: abs(np.log(w / best)), default=best)
    if not levels:
        return Found(np.zeros(0), np.zeros(0), np.zeros(0), float(best))
    found, b = levels[width]
    rows = _drop_satellites(_as_rows(found, b, width), width)
    return Found(rows[:, 1], rows[:, 2], rows[:, 0], float(width))


def _box_ratio(level: np.ndarray, size: int, *, narrow: bool) -> np.ndarray:
    """Box-smoothed image over its own noise."""
    if narrow:
        smooth = ndimage.convolve1d(level, [0.25, 0.5, 0.25], axis=0, mode="nearest")
        smooth = ndimage.convolve1d(smooth, [0.25, 0.5, 0.25], axis=1, mode="nearest")
    else:
        smooth = ndimage.uniform_filter(level, size, mode="nearest")
    sample = smooth.ravel()[:: max(1, smooth.size // 100_000)]
    middle = float(np.median(sample))
    below = sample[sample <= middle]
    spread = 1.4826 * float(np.median(middle - below)) if below.size else 0.0
    if spread <= 0:
        spread = float(np.std(sample)) or 1.0
    return (smooth - middle) / spread


def _local_peaks(ratio: np.ndarray, threshold: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(value, row, column) of pixels above the threshold and above their eight neighbours."""
    rows, columns = np.nonzero(ratio > threshold)
    value = ratio[rows, columns]
    keep = np.ones(value.size, bool)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            if dx or dy:
                r, c = rows + dy, columns + dx
                inside = (r >= 0) & (r < ratio.shape[0]) & (c >= 0) & (c < ratio.shape[1])
                other = ratio[np.clip(r, 0, ratio.shape[0] - 1), np.clip(c, 0, ratio.shape[1] - 1)]
                # On a plateau the first pixel in reading order wins.
                beaten = (other > value) | ((other == value) & ((dy, dx) < (0, 0)))
                keep &= ~(inside & beaten)
    order = np.argsort(value[keep])[::-1]
    return value[keep][order], rows[keep][order], columns[keep][order]


def _as_rows(found: tuple[np.ndarray, np.ndarray, np.ndarray], b: int, width: float) -> np.ndarray:
    """(n, 4) rows of peak ratio, x, y in full pixels, box width."""
    value, rows, columns = found
    place = (columns + 0.5) * b - 0.5, (rows + 0.5) * b - 0.5
    return np.stack([value, *place, np.full(value.size, width)], axis=1)


def _frame_scale(peaks: list[tuple[float, np.ndarray]], levels: dict) -> float:
    """Box width at which the brightest objects stand out most."""
    everything = np.concatenate([rows for _, rows in peaks]) if peaks else np.zeros((0, 4))
    if not everything.size:
        return min(levels, default=4.0)
    everything = everything[np.argsort(everything[:, 0])[::-1]]
    winners: list[np.ndarray] = []
    for row in everything:
        # A smaller box on the rim of a ring, or a larger one on its outskirts, is the same star.
        if all(np.hypot(row[1] - w[1], row[2] - w[2]) > 0.75 * max(row[3], w[3]) for w in winners):
            winners.append(row)
            if len(winners) == _VOTERS:
                break
    return float(np.median([w[3] for w in winners]))


def _drop_satellites(rows: np.ndarray, width: float) -> np.ndarray:
    """Leave out peaks that are only bumps on the wings of a much brighter neighbour."""
    if len(rows) < 2:
        return rows
    from scipy.spatial import cKDTree

    tree = cKDTree(rows[:, 1:3])
    keep = np.ones(len(rows), bool)
    for i, j in tree.query_pairs(2.5 * width):
        bright, faint = (i, j) if rows[i, 0] >= rows[j, 0] else (j, i)
        gap = np.hypot(*(rows[bright, 1:3] - rows[faint, 1:3])) / width
        if rows[faint, 0] < rows[bright, 0] * 0.3 * max(gap, 0.5) ** -3:
            keep[faint] = False
    return rows[keep]
