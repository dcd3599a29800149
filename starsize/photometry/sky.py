"""The sky under the stars: a smooth map from the quiet pixels of coarse cells, and pixel noise."""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy import ndimage
from scipy.interpolate import BSpline
from scipy.sparse import csr_array

#: What lies beyond is no reading of a camera, and its square no float32.
_HUGE = 1e15
#: About so many rows and columns tell the noise.
_SAMPLED = (48, 1500)
#: Pixels that stay in the processor's cache while a strip of rows is worked on.
_IN_CACHE = 100_000
#: Cells in which the noise is looked at apart: of so many values of the sample, at most so many a
#: side, and with this share of them free of stars.
_GRAIN_CELL, _GRAIN_CELLS, _GRAIN_TOLD = np.array([8, 64]), 12, 0.3
_SPIKE_SIGMA, _SPIKE_SHARE = 6.0, 0.1
#: The outermost columns and those beside them; (2, 1, 8) steps to the neighbours of a pixel.
_RIM = ((0, 1), (-1, -2))
_AROUND = np.delete(np.mgrid[-1:2, -1:2].reshape(2, 1, 9), 4, axis=2)
_PLAUSIBLE_GAIN = (0.02, 50.0)
#: Where more of the good pixels than this have a bad neighbour, no star is whole.
_HOLES = 0.08


@dataclass(frozen=True, slots=True, eq=False)
class Sky:
    """A smooth background and its pixel noise.

    Attributes
    ----------
    cells : (my, mx) array
        Level of each cell, ADU; joined by cubic B-splines, which smooth the noise of levels a
        little and make no corners.
    first_px, pitch_px : (2,) arrays
        Middle of the first cell and how far apart middles lie, along y and x, pixels.
    noise : float
        Standard deviation of one pixel of empty sky, ADU, converter steps included.
    """

    cells: np.ndarray
    first_px: np.ndarray
    pitch_px: np.ndarray
    noise: float

    @property
    def level(self) -> float:
        """Typical background, ADU."""
        return float(np.median(self.cells))

    def at(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Background at places in pixels, ADU."""
        along = _splines(y, *self._axis(0)) @ self._coefficients()
        return np.asarray(_splines(x, *self._axis(1)).multiply(along).sum(axis=1))

    def planes(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """(n, 3) background at places in pixels and how it rises along y and x, ADU and a pixel."""
        half = 0.5 * np.array([[0, 0], [0, 1], [0, -1], [1, 0], [-1, 0]])[:, :, None]
        level, below, above, right, left = self.at(
            np.ravel(x + half[:, 0]), np.ravel(y + half[:, 1])
        ).reshape(5, -1)
        return np.stack([level, below - above, right - left], axis=1)

    def on_grid(self, shape: tuple[int, int], factor: int) -> np.ndarray:
        """Background on the pixels of an image binned by ``factor``, ADU, float32."""
        down, right = (_grid_splines(n, factor, *self._axis(k)) for k, n in enumerate(shape))
        along = (right @ self._coefficients().T).T.astype(np.float32)
        return np.asarray(down.astype(np.float32) @ along)

    def _coefficients(self) -> np.ndarray:
        # Beyond the outer middles the slope goes on, else every gradient would leave a bright rim.
        return np.pad(self.cells, 2, mode="reflect", reflect_type="odd")

    def _axis(self, k: int) -> tuple[float, float, int]:
        """Middle of the first cell along an axis, how far apart middles lie, pixels; and cells."""
        return float(self.first_px[k]), float(self.pitch_px[k]), self.cells.shape[k]


def _splines(pixel: np.ndarray, first: float, pitch: float, cells: int) -> csr_array:
    """(n, coefficients) what each adds to the level at pixels along an axis."""
    place = np.clip((pixel - first) / pitch, -1, cells)
    return BSpline.design_matrix(place, np.arange(-4.0, cells + 4), 3)


@lru_cache(maxsize=16)
def _grid_splines(n: int, factor: int, *axis: Any) -> csr_array:
    """The same on a grid of blocks; the frames of a sweep share it."""
    return _splines((np.arange(n) + 0.5) * factor - 0.5, *axis)


def usable_pixels(image: np.ndarray) -> np.ndarray:
    """The image with NaN for what is no reading; whole numbers pass through untouched."""
    if image.dtype.kind in "ui":
        return image
    with np.errstate(over="ignore"):
        image = image.astype(np.float32, copy=False)
    if not np.abs(image).max(initial=0.0) < _HUGE:  # one quick look; also true of NaN
        image = np.where(np.abs(image) < _HUGE, image, np.float32(np.nan))
    return image


def full_of_holes(image: np.ndarray) -> bool:
    """True where unusable pixels lie scattered among the good ones, not side by side."""
    if image.dtype.kind in "ui":
        return False
    good = np.isfinite(image)
    pairs = (good[:, :-1], good[:, 1:]), (good[:-1], good[1:])
    return any(np.sum(one & ~other) > _HOLES * np.sum(one) for one, other in pairs)


def halve(image: np.ndarray) -> np.ndarray:
    """Mean of blocks of 2 x 2 pixels, float32; an odd last row or column is left out."""
    out = np.empty((image.shape[0] // 2, image.shape[1] // 2), np.float32)
    for top, rows in _strips(image):
        _halve(rows, out[top // 2 :])
    return out


def _strips(image: np.ndarray) -> Iterator[tuple[int, np.ndarray]]:
    """Rows that stay in the processor's cache, an even number, and where they begin."""
    many = max(2, _IN_CACHE // max(image.shape[1], 1) // 2 * 2)
    return ((top, image[top : top + many]) for top in range(0, len(image), many))


def _halve(rows: np.ndarray, out: np.ndarray) -> None:
    ny, nx = (n // 2 * 2 for n in rows.shape)
    pairs = np.add(rows[0:ny:2, :nx], rows[1:ny:2, :nx], dtype=np.float32)
    here = out[: ny // 2]
    np.add(pairs[:, 0::2], pairs[:, 1::2], out=here)
    here *= 0.25


def noise_sample(image: np.ndarray) -> np.ndarray:
    """(m, n) what pixels of some rows say of the noise of one, ADU; the median tells it.

    From differences of pixels two apart: stars, nebula and gradients cancel. A coarse converter's
    step is added as even dither, so that the median of differences that are mostly zero still tells
    the noise.
    """
    apart, aside = (max(1, n // many) for n, many in zip(image.shape, _SAMPLED, strict=True))
    rows = image[::apart].astype(float)
    if rows.shape[1] < 3:
        rows = image.astype(float).reshape(1, -1)
    levels = np.diff(np.unique(rows[np.isfinite(rows)][:5_000]))
    if not levels.size:
        return np.zeros((1, 1))
    gaps = rows[:, 2::aside] - rows[:, :-2:aside]
    dither = (np.arange(gaps.size) * 0.6180339887) % 1 - 0.5  # evenly spread, the same every time
    # A few bright pixels lie many steps above a sky of two or three values.
    step = float(np.quantile(levels[:1000], 0.25, method="lower"))
    gaps += dither.reshape(gaps.shape) * np.sqrt(2) * step
    return np.asarray(np.abs(gaps) * 1.4826 / np.sqrt(2))


def pixel_noise(sample: np.ndarray) -> float:
    """Noise of one pixel of empty sky, ADU."""
    sample = sample[np.isfinite(sample)]
    return float(np.median(sample)) if sample.size else 0.0


def grain_map(sample: np.ndarray, covered: np.ndarray, noise: float) -> np.ndarray:
    """(my, mx) how much noisier than the whole image coarse cells of it are, as glow makes them."""
    # Stars are covered, at some scale of the image: their light has noise too.
    y, x = (
        np.arange(many) * n // many for many, n in zip(sample.shape, covered.shape, strict=True)
    )
    seen = np.where(np.isfinite(covered[y[:, None], x]), sample, np.nan)
    count = np.clip(np.array(sample.shape) // _GRAIN_CELL, 1, _GRAIN_CELLS)
    ordered = np.sort(blocks_of(seen, count)[0], axis=1)  # NaN sorts last
    told = np.isfinite(ordered).sum(axis=1)
    cells = np.take_along_axis(ordered, told[:, None] // 2, axis=1)[:, 0]
    cells[told < _GRAIN_TOLD * ordered.shape[1]] = np.nan
    return np.maximum(_fill(cells.reshape(count)) / max(noise, 1e-9), 1.0)


def first_levels(image: np.ndarray, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """The image with lone spikes (hot pixels) at the median of their neighbours, and its half."""
    ny, nx = image.shape
    found, half = [], np.empty((ny // 2, nx // 2), np.float32)
    # In the image's own type, in which comparing costs least.
    high: float = _SPIKE_SIGMA * max(noise, 1e-9)
    if image.dtype.kind in "ui":
        high = image.dtype.type(min(high, np.iinfo(image.dtype).max))
    for top, rows in _strips(image):
        beside = np.maximum(rows[:, :-2], rows[:, 2:])
        # The maximum keeps whole numbers without a sign from wrapping below zero.
        rise = np.maximum(rows[:, 1:-1], beside)
        rise -= beside
        found.append(np.flatnonzero(rise > high) + top * (nx - 2))
        _halve(rows, half[top // 2 :])
    y, x = np.divmod(np.concatenate(found), nx - 2)
    rim = [np.flatnonzero(image[:, k] - image[:, m].astype(float) > high) for k, m in _RIM]
    x = np.r_[x + 1, np.repeat([0, nx - 1], [len(one) for one in rim])]
    mended, y, x = _without_spikes(image, np.r_[y, *rim], x, noise)
    within = (y < 2 * len(half)) & (x < 2 * half.shape[1])
    y, x = y[within] // 2, x[within] // 2
    blocks = mended[2 * y + [[0], [0], [1], [1]], 2 * x + [[0], [1], [0], [1]]]
    half[y, x] = blocks.mean(axis=0, dtype=np.float32)
    return mended, half


def _without_spikes(
    image: np.ndarray, y: np.ndarray, x: np.ndarray, noise: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The image without the spikes among the given pixels and their neighbours; where they were.

    A spike stands far above the second highest of its eight neighbours; of the sharpest star's
    light these hold a fifth of what its brightest pixel holds. Of a few hot pixels side by side the
    highest goes first, so that the others stand alone.
    """
    ends = np.array(image.shape)[:, None, None] - 1
    mended, gone = image, [np.zeros((2, 0), int)]
    while len(y):
        # Beyond the rim the image is mirrored.
        beside = ends - abs(ends - abs(np.stack([y, x])[:, :, None] + _AROUND))
        around = np.sort(mended[tuple(beside)].astype(float), axis=1)
        base = around[:, :4].mean(axis=1)
        peak = mended[y, x] - base
        lone = around[:, -2] - base < _SPIKE_SHARE * peak + noise
        lone &= peak > _SPIKE_SIGMA * max(noise, 1e-9)
        if lone.any() and mended is image:
            mended = image.copy()
        y, x = y[lone], x[lone]
        mended[y, x] = np.median(around[lone], axis=1)
        gone.append(np.stack([y, x]))
        y, x = np.unique(beside[:, lone].reshape(2, -1), axis=1)
    return mended, *np.concatenate(gone, axis=1)


def sky_map(
    binned: np.ndarray,
    factor: int,
    noise: float,
    *,
    cell_px: float,
    slope: np.ndarray = np.zeros(2),  # noqa: B008 -- never written to
) -> Sky:
    """Sky map from an image of means of blocks of ``factor`` pixels, star light clipped away.

    ``binned`` is NaN where unusable or covered by a star, ``noise`` that of one full-resolution
    pixel, ``cell_px`` the wished width of a cell in such pixels. A ``slope`` along y and x, ADU a
    pixel, is taken off before the pixels of a cell are compared: wide ones would tell no level.
    """
    wished = np.rint(np.array(binned.shape) / max(cell_px / factor, 4)).astype(int)
    count = np.maximum(wished, np.where(slope == 0, 1, 2))
    down, right = factor * slope
    ny, nx = binned.shape
    flat = binned - np.add.outer(down * np.arange(ny), right * np.arange(nx)).astype(np.float32)
    blocks, side, step = blocks_of(flat, count)
    level = _fill(quiet_level(blocks).reshape(count)).astype(float)
    y, x = ((n - 1) / 2 + away * np.arange(m) for n, away, m in zip(side, step, count, strict=True))
    level += np.add.outer(down * y, right * x)
    return Sky(level, side * factor / 2 - 0.5, np.maximum(step, 1.0) * factor, noise)


def slope_of(binned: np.ndarray, factor: int) -> np.ndarray:
    """How an image of blocks of ``factor`` pixels rises along y and x in most places, ADU a pixel.

    From differences of pixels half an image apart: of few of them a star's light is part.
    """
    slope = np.zeros(2)
    for k, image in enumerate((binned, binned.T)):
        far = len(image) // 2
        gaps = (image[far:] - image[: len(image) - far])[:, ::4]
        known = gaps[np.isfinite(gaps)]
        slope[k] = np.median(known) / (far * factor) if known.size else 0.0
    return slope


def blocks_of(image: np.ndarray, count: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pixels of each of ``count`` cells along y and x, the cells' sides, and their distances.

    All cells are whole; those of a side that they do not divide overlap a little.
    """
    side = -(-np.array(image.shape) // count)
    step = (np.array(image.shape) - side) / np.maximum(count - 1, 1)
    rows, columns = (
        (np.arange(n) * away).astype(int)[:, None] + np.arange(width)
        for n, away, width in zip(count, step, side, strict=True)
    )
    blocks = image[rows[:, None, :, None], columns[None, :, None, :]]
    return blocks.reshape(count.prod(), -1).astype(np.float32, copy=False), side, step


def quiet_level(blocks: np.ndarray) -> np.ndarray:
    """Level of each row of pixels where they lie densest; NaN for a row too empty.

    Star light lies thinly above. The densest two fifths of a normal's values lie within 1.05 of its
    sigma; what is within one and a half sigma of their mean tells the level.
    """
    ordered = np.sort(blocks, axis=1)  # NaN sorts last
    count = np.isfinite(ordered).sum(axis=1)[:, None]
    first, most = np.arange(ordered.shape[1]), np.maximum(2 * count // 5, 1)
    last = np.minimum(first + most, ordered.shape[1] - 1)
    span = np.take_along_axis(ordered, last, axis=1) - ordered
    start = np.argmin(np.where(first + most < count, span, np.inf), axis=1)[:, None]
    width = np.take_along_axis(span, start, axis=1)
    dense = (first >= start) & (first <= start + most)
    middle = np.mean(ordered, axis=1, where=dense, keepdims=True)
    near = np.abs(ordered - middle) <= 1.5 * width / 1.05
    level = np.sum(ordered, axis=1, where=near) / np.maximum(near.sum(axis=1), 1)
    return np.where(count[:, 0] >= max(6, ordered.shape[1] // 16), level, np.nan)


def _fill(level: np.ndarray) -> np.ndarray:
    """Cells without a level take that of the nearest cell that has one."""
    missing = ~np.isfinite(level)
    if missing.all():
        return np.zeros_like(level)
    if not missing.any():
        return level
    nearest = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return level[tuple(nearest)]


def gain_from_sky(sky: Sky) -> float | None:
    """Camera gain (electrons per ADU) as the sky's own photon noise would have it.

    Right for a frame without pedestal and read-out noise, too high by some factor where there is a
    pedestal: better than no photon noise at all. None where the sky cannot be raw counts.
    """
    if not (sky.level > 0 and sky.noise > 0):
        return None
    gain = sky.level / sky.noise**2
    return gain if _PLAUSIBLE_GAIN[0] < gain < _PLAUSIBLE_GAIN[1] else None
