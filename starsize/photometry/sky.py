"""The sky under the stars: a smooth map from the quiet pixels of coarse cells, and pixel noise."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

_CLIP, _CLIP_ROUNDS = 3.0, 5
_STANDS_OUT = 4.0
#: What lies beyond is no reading of a camera, and its square no float32.
_HUGE = 1e15
_SAMPLE_ROWS = 48


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
        Standard deviation of one pixel of empty sky, ADU, converter steps included.
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
        places = [(np.asarray(c, float) + 0.5) / self.cell_px - 0.5 for c in (y, x)]
        return ndimage.map_coordinates(self.cells, places, order=1, mode="nearest")

    def on_grid(self, shape: tuple[int, int], factor: int) -> np.ndarray:
        """Background on the pixels of an image binned by ``factor``, ADU, float32."""
        rows, columns = (
            _linear_weights(n, factor / self.cell_px, cells)
            for n, cells in zip(shape, self.cells.shape, strict=True)
        )
        return (rows @ self.cells.astype(np.float32)) @ columns.T


def _linear_weights(n: int, step: float, n_cells: int) -> np.ndarray:
    """Matrix that interpolates cell values linearly onto ``n`` pixels ``step`` cells apart."""
    place = np.clip((np.arange(n) + 0.5) * step - 0.5, 0, n_cells - 1)
    left = np.minimum(place.astype(int), max(n_cells - 2, 0))
    share = (place - left).astype(np.float32)
    weights = np.zeros((n, n_cells), np.float32)
    weights[np.arange(n), left] = 1 - share
    weights[np.arange(n), np.minimum(left + 1, n_cells - 1)] += share
    return weights


def usable_pixels(image: np.ndarray) -> np.ndarray:
    """The image with NaN for what is no reading; whole numbers pass through untouched."""
    if image.dtype.kind in "ui":
        return image
    image = image.astype(np.float32, copy=False)
    if not np.abs(image).max(initial=0.0) < _HUGE:  # one quick look; also true of NaN
        image = np.where(np.abs(image) < _HUGE, image, np.float32(np.nan))
    return image


def halve(image: np.ndarray) -> np.ndarray:
    """Mean of blocks of 2 x 2 pixels, float32; an odd last row or column is left out."""
    ny, nx = (n // 2 * 2 for n in image.shape)
    out = np.empty((ny // 2, nx // 2), np.float32)
    for top in range(0, ny, 64):  # strips that stay in the processor's cache
        rows = image[top : min(top + 64, ny), :nx].astype(np.float32, copy=False)
        pairs = rows[0::2] + rows[1::2]
        np.add(pairs[:, 0::2], pairs[:, 1::2], out=out[top // 2 : (top + len(rows)) // 2])
    out *= 0.25
    return out


def pixel_noise(image: np.ndarray) -> float:
    """Noise of one pixel of empty sky, from differences of pixels two apart in a sample of rows.

    Stars, nebula and gradients cancel. A coarse converter's step is added as even dither, so that
    the median of differences that are mostly zero still tells the noise.
    """
    rows = image[:: max(1, image.shape[0] // _SAMPLE_ROWS)].astype(float)
    if rows.shape[1] < 3:
        rows = image.astype(float).reshape(1, -1)
    levels = np.diff(np.unique(rows[np.isfinite(rows)][:20_000]))
    gaps = (rows[:, 2:] - rows[:, :-2]).ravel()
    gaps = gaps[np.isfinite(gaps)]
    if not (gaps.size and levels.size):
        return 0.0
    dither = (np.arange(gaps.size) * 0.6180339887) % 1 - 0.5  # evenly spread, the same every time
    gaps += dither * np.sqrt(2) * float(np.median(levels[:1000]))
    spread = 1.4826 * float(np.median(np.abs(gaps)))
    return spread / np.sqrt(2)


def sky_map(binned: np.ndarray, factor: int, noise: float, *, cell_px: float) -> Sky:
    """Sky map from an image binned by ``factor``, star light clipped away cell by cell.

    Parameters
    ----------
    binned : (ny, nx) array
        Means of blocks of ``factor`` pixels; NaN where unusable or covered by a star.
    factor : int
    noise : float
        Noise of one full-resolution pixel, ADU.
    cell_px : float
        Wished width of a cell, pixels.
    """
    side = int(np.clip(round(cell_px / factor), 4, max(binned.shape)))
    my, mx = (-(-n // side) for n in binned.shape)
    padded = np.full((my * side, mx * side), np.nan, np.float32)
    padded[: binned.shape[0], : binned.shape[1]] = binned
    blocks = padded.reshape(my, side, mx, side).swapaxes(1, 2).reshape(my * mx, side * side)
    level = _fill(_quiet_level(blocks).reshape(my, mx))
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
    return np.where(gap - np.median(gap) > _STANDS_OUT * usual, around, level)


def _quiet_level(blocks: np.ndarray) -> np.ndarray:
    """Mode of each row of pixels once the stars are clipped away; NaN for a row too empty."""
    ordered = np.sort(blocks, axis=1)  # NaN sorts last
    count = np.isfinite(ordered).sum(axis=1)
    enough = count >= max(6, blocks.shape[1] // 16)
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
        reach = _CLIP * np.sqrt(np.maximum((below2 - 2 * median * below) / n + median**2, 0.0))
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
