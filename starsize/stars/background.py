"""The sky under the stars: a smooth map from the quiet pixels of coarse cells, and its noise."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

#: Width of a cell of the sky map in pixels: several times the largest star, yet small against
#: vignetting and gradients.
CELL_PX = 128
_CLIP = 3.0
_CLIP_ROUNDS = 5
_STANDS_OUT = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class Sky:
    """A smooth background and its pixel noise.

    Attributes
    ----------
    cells : (my, mx) array
        Level at the middle of each cell, ADU.
    cell_px : float
        Width of a cell in pixels.
    noise : float
        Standard deviation of one pixel of empty sky, ADU.
    """

    cells: np.ndarray
    cell_px: float
    noise: float

    @property
    def level(self) -> float:
        """Typical background, ADU."""
        return float(np.median(self.cells))

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Background at places in pixels, ADU."""
        places = np.stack([_cell_place(y, self.cell_px), _cell_place(x, self.cell_px)])
        return ndimage.map_coordinates(self.cells, places, order=1, mode="nearest")

    def on_grid(self, shape: tuple[int, int], factor: int) -> np.ndarray:
        """Background on the pixels of an image binned by ``factor``, ADU, float32."""
        rows = _linear_weights(shape[0], factor, self.cell_px, self.cells.shape[0])
        columns = _linear_weights(shape[1], factor, self.cell_px, self.cells.shape[1])
        return (rows @ self.cells.astype(np.float32)) @ columns.T


def _cell_place(pixel: np.ndarray, cell_px: float) -> np.ndarray:
    """Place counted in cells from the middle of the first one."""
    return (np.asarray(pixel, float) + 0.5) / cell_px - 0.5


def _linear_weights(n: int, factor: int, cell_px: float, n_cells: int) -> np.ndarray:
    """Matrix that interpolates cell values linearly onto ``n`` binned pixels."""
    place = _cell_place((np.arange(n) + 0.5) * factor - 0.5, cell_px)
    place = np.clip(place, 0, n_cells - 1)
    left = np.minimum(place.astype(int), max(n_cells - 2, 0))
    weights = np.zeros((n, n_cells), np.float32)
    share = (place - left).astype(np.float32)
    weights[np.arange(n), left] = 1 - share
    weights[np.arange(n), np.minimum(left + 1, n_cells - 1)] += share
    return weights


def bin_mean(image: np.ndarray, factor: int = 2) -> np.ndarray:
    """Mean of blocks of ``factor`` x ``factor`` pixels, float32; a ragged rim is left out.

    ``factor`` is a power of two. Works through the image in strips, so that no second image of
    its size is ever made.
    """
    if factor == 1:
        return np.asarray(image, np.float32)
    ny, nx = image.shape[0] // factor * factor, image.shape[1] // factor * factor
    binned = np.empty((ny // factor, nx // factor), np.float32)
    strip = factor * max(1, 16 // factor)
    # Work space that stays in the processor's cache.
    single, pairs = np.empty((strip, nx), np.float32), np.empty((strip // 2, nx), np.float32)
    for top in range(0, ny, strip):
        n = min(strip, ny - top)
        np.copyto(single[:n], image[top : top + n, :nx], casting="same_kind")
        block = np.add(single[0:n:2], single[1:n:2], out=pairs[: n // 2])
        step = factor // 2
        while step > 1:
            block = block[:, 0::2] + block[:, 1::2]
            block = block[0::2] + block[1::2]
            step //= 2
        target = binned[top // factor : (top + n) // factor]
        np.add(block[:, 0::2], block[:, 1::2], out=target)
        target *= 1 / (factor * factor)
    return binned


def pixel_noise(image: np.ndarray) -> float:
    """Noise of one pixel of empty sky, from differences of neighbours in a sample of rows.

    Differences take out every smooth background; clipping takes out the stars.
    """
    rows = image[:: max(1, image.shape[0] // 32)].astype(np.float32)
    steps = np.diff(rows, axis=1).ravel()
    steps = steps[np.isfinite(steps)]
    if steps.size == 0:
        return float("nan")
    spread = 1.4826 * float(np.median(np.abs(steps)))
    for _ in range(_CLIP_ROUNDS):
        # Clipping a Gaussian at 3 sigma lowers its standard deviation by 1.33 %.
        kept = steps[np.abs(steps) <= _CLIP * spread] if spread > 0 else steps
        spread = float(kept.std()) * 1.0133
    return spread / np.sqrt(2)


def estimate_sky(binned: np.ndarray, factor: int, noise: float) -> Sky:
    """Sky map from an image binned by ``factor``, star light clipped away cell by cell.

    Parameters
    ----------
    binned : (ny, nx) array
        Means of blocks of ``factor`` pixels; NaN where unusable.
    factor : int
    noise : float
        Noise of one full-resolution pixel, ADU.
    """
    cell = max(4, CELL_PX // factor)
    my, mx = max(1, round(binned.shape[0] / cell)), max(1, round(binned.shape[1] / cell))
    height, width = -(-binned.shape[0] // my), -(-binned.shape[1] // mx)
    side = max(height, width)
    my, mx = -(-binned.shape[0] // side), -(-binned.shape[1] // side)
    padded = np.full((my * side, mx * side), np.nan, np.float32)
    padded[: binned.shape[0], : binned.shape[1]] = binned
    blocks = padded.reshape(my, side, mx, side).swapaxes(1, 2).reshape(my * mx, side * side)
    level = _quiet_level(blocks).reshape(my, mx)
    level = _fill(level)
    if min(my, mx) >= 3:
        level = _without_outliers(level)
    return Sky(cells=level.astype(float), cell_px=float(side * factor), noise=noise)


def _without_outliers(level: np.ndarray) -> np.ndarray:
    """Cells that stand out of their surroundings (a bright star fills them) take their median.

    The others keep their own value: a median filter would flatten every bowl of vignetting.
    """
    around = ndimage.median_filter(level, 3, mode="nearest")
    gap = level - around
    usual = 1.4826 * float(np.median(np.abs(gap - np.median(gap))))
    return np.where(np.abs(gap - np.median(gap)) > _STANDS_OUT * usual, around, level)


def _quiet_level(blocks: np.ndarray) -> np.ndarray:
    """Mode of each row of pixels once the stars are clipped away; NaN for a row too empty."""
    ordered = np.sort(blocks, axis=1)  # NaN sorts last
    count = np.isfinite(ordered).sum(axis=1)
    enough = count >= max(8, blocks.shape[1] // 8)
    values = np.nan_to_num(ordered).astype(float)
    rows, last = np.arange(len(values)), values.shape[1] - 1
    # Sorted values turn every clipped sum into a difference of running sums.
    start = np.zeros((len(values), 1))
    sums = np.concatenate([start, np.cumsum(values, axis=1)], axis=1)
    squares = np.concatenate([start, np.cumsum(values**2, axis=1)], axis=1)
    low, high = np.zeros_like(count), count.copy()
    for _ in range(_CLIP_ROUNDS):
        middle = np.minimum(low + (high - low) // 2, last)
        median = values[rows, middle]
        mean = (sums[rows, high] - sums[rows, low]) / np.maximum(high - low, 1)
        # Stars only ever add light, so the spread is taken from below the median.
        n = middle + 1 - low
        below = sums[rows, middle + 1] - sums[rows, low]
        below2 = squares[rows, middle + 1] - squares[rows, low]
        variance = (below2 - 2 * median * below + n * median**2) / n
        reach = _CLIP * np.sqrt(np.maximum(variance, 0.0))
        low = (ordered < (median - reach)[:, None]).sum(axis=1)
        high = np.maximum((ordered <= (median + reach)[:, None]).sum(axis=1), low)
    mode = 2.5 * median - 1.5 * mean
    skewed = np.abs(mean - median) > 0.1 * reach
    return np.where(enough, np.where(skewed, median, mode), np.nan)


def _fill(level: np.ndarray) -> np.ndarray:
    """Cells without a level take that of the nearest cell that has one."""
    missing = ~np.isfinite(level)
    if missing.all():
        return np.zeros_like(level)
    if not missing.any():
        return level
    nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return level[tuple(nearest)]
