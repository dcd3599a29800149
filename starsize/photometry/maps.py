"""An image smoothed to many widths, the level and noise of its sky in each, and its maxima."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from .sky import halve, quiet_level

#: Noise of a pixel of unit noise after weights 1 2 1, once and twice, along both axes; and the
#: variance of these weights along an axis.
_KERNELS = ((6.0, 0.5), (70.0, 1.0))
#: Fewer pixels than this do not tell how rough the sky of a cell is; of others so many squared do.
_ENOUGH, _SAMPLES = 150, 16
#: Rows that stay in the processor's cache together.
_STRIP = 64
#: Steps to a pixel and its neighbours.
_DOWN, _RIGHT = np.mgrid[-1:2, -1:2].reshape(2, 9, 1)


@dataclass(frozen=True, slots=True, eq=False)
class Maps:
    """A sky-free image smoothed to ``m`` widths, two an octave.

    ``values`` holds all maps one after the other: each begins at ``first``, has the ``shape``
    (m, 2) with a rim one pixel wide of what is below everything, and pixels that hold ``factor``
    pixels of the image a side. ``white`` is the noise of white noise so smoothed; ``left`` is what
    is left of the sky in coarse cells of each map, ``rough`` its noise there over white noise.
    """

    values: np.ndarray
    first: np.ndarray
    shape: np.ndarray
    factor: np.ndarray
    width: np.ndarray
    white: np.ndarray
    left: list[np.ndarray]
    rough: list[np.ndarray]

    def peaks(self, threshold: float) -> tuple[np.ndarray, np.ndarray]:
        """Which map, and where in ``values``, may hold maxima of such a signal-to-noise ratio."""
        least = [threshold * w * r.min() for w, r in zip(self.white, self.rough, strict=True)]
        maps = _each(self.values, self.first, self.shape)
        spots = [_local_peaks(one, low) for one, low in zip(maps, least, strict=True)]
        which = np.repeat(np.arange(len(spots)), [len(one) for one in spots])
        return which, np.concatenate(spots) + self.first[which]

    def over_white(self, which: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Value over white noise at places in the image's pixels, the best pixel nearby."""
        (rows, pitch), factor = self.shape[which].T, self.factor[which]
        row, column = (
            np.clip(np.rint((c + 0.5) / factor + 0.5).astype(int), 1, n - 2)
            for c, n in ((y, rows), (x, pitch))
        )
        around = self.first[which] + (row + _DOWN) * pitch + column + _RIGHT
        return np.asarray(self.values[around].max(axis=0) / self.white[which])

    def sky_left(self, which: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """``left`` and ``rough`` at (2, n) places in shares of the sides."""
        found = [np.array([one[0, 0] for one in cells])[which] for cells in (self.left, self.rough)]
        for k in (k for k, cells in enumerate(self.rough) if cells.size > 1):
            here = which == k
            for values, cells in zip(found, (self.left[k], self.rough[k]), strict=True):
                values[here] = between_cells(cells, share[:, here])
        return found[0], found[1]


def smoothed(flat: np.ndarray, factor: int, noise: float, largest: int) -> Maps:
    """Smooth an image of blocks of ``factor`` pixels to two widths an octave up to the largest."""
    octaves = max(1, int(np.ceil(np.log2(largest / factor))))
    sides = np.array([-(-np.array(flat.shape) // 2**k) + 2 for k in range(octaves)])
    shape, factors = np.repeat(sides, 2, axis=0), factor * 2 ** (np.arange(2 * octaves) // 2)
    gain, variance = np.tile(_KERNELS, (octaves, 1)).T
    size = shape.prod(axis=1)
    first, values = np.cumsum(size) - size, np.zeros(size.sum(), np.float32)
    maps = _each(values, first, shape)
    for narrow, wide in zip(maps[::2], maps[1::2], strict=True):
        padded = np.pad(flat, 1)
        _smooth(padded, narrow)
        _smooth(narrow, wide)
        # The rim makes odd sides even.
        flat = halve(padded[tuple(slice(1, n + 1 + n % 2) for n in flat.shape)])
    for one in maps:
        one[[0, -1]] = one[:, [0, -1]] = -np.inf
    width = np.sqrt(variance * factors**2 + (factors**2 - 1) / 12)
    white = (noise / factors * gain).astype(np.float32)
    return Maps(values, first, shape, factors, width, white, *_sky_left(maps, white))


def _each(values: np.ndarray, first: np.ndarray, shape: np.ndarray) -> list[np.ndarray]:
    ends = first + shape.prod(axis=1)
    return [values[a:b].reshape(s) for a, b, s in zip(first, ends, shape, strict=True)]


def _smooth(values: np.ndarray, out: np.ndarray) -> None:
    """Sums with weights 1 2 1 along both axes, nothing beyond the rim, which stays zero.

    Row after row without a break, in strips that stay in cache, which halves the time.
    """
    flat, sums, pitch = values.reshape(-1), out.reshape(-1), values.shape[1]
    one, two = np.empty((2, (_STRIP + 1) * pitch), np.float32)
    for top in range(pitch, flat.size - pitch, _STRIP * pitch):
        end = min(top + _STRIP * pitch, flat.size - pitch)
        pairs = np.add(
            flat[top - pitch : end], flat[top : end + pitch], out=one[: end - top + pitch]
        )
        down = np.add(pairs[:-pitch], pairs[pitch:], out=two[: end - top])
        across = np.add(down[:-1], down[1:], out=one[: end - top - 1])
        np.add(across[:-1], across[1:], out=sums[top + 1 : end - 1])
    out[:, [0, -1]] = 0.0


def _sky_left(
    maps: list[np.ndarray], white: np.ndarray
) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """What is left of the sky in the cells of maps, and its noise over white noise.

    Light is left where the sky bends within its cells, as beside an amplifier's glow. The noise is
    told by what lies below the sky, for stars only add light: nebula and the waves of a poor flat
    grow with width and are no stars. Where a map has too few independent values, the sky is taken
    to be as at the width before.
    """
    inner = [one[1:-1, 1:-1] for one in maps]
    counts = [np.maximum(np.array(values.shape) // 64, 1) for values in inner]
    told = [v.size >= _ENOUGH * c.prod() for v, c in zip(inner, counts, strict=True)]
    shown = [_spread_over(v, c) for v, c, t in zip(inner, counts, told, strict=True) if t]
    # All maps at once: most have few cells.
    ordered = np.sort(np.concatenate([np.zeros((0, _SAMPLES**2), np.float32), *shown]), axis=1)
    quiet = np.maximum(quiet_level(ordered[:, ::2]), 0)
    low, begin = ordered[:, int(0.1587 * _SAMPLES**2)], 0
    left, rough = [np.zeros((1, 1))], [np.ones((1, 1))]
    for noise, count, is_told in zip(white, counts, told, strict=True):
        if is_told:
            own = slice(begin, begin := begin + int(count.prod()))
            left.append(quiet[own].reshape(count))
            rough.append(np.maximum(-low[own].reshape(count) / noise, 1))
        else:
            left.append(left[-1])
            rough.append(rough[-1])
    return left[1:], rough[1:]


def _spread_over(image: np.ndarray, count: np.ndarray) -> np.ndarray:
    """(cells, samples) values evenly spread over each cell."""
    rows, columns = (
        ((np.arange(many * _SAMPLES) + 0.5) * n / (many * _SAMPLES)).astype(int)
        for many, n in zip(count, image.shape, strict=True)
    )
    values = image[rows[:, None], columns].reshape(count[0], _SAMPLES, count[1], _SAMPLES)
    return values.swapaxes(1, 2).reshape(-1, _SAMPLES**2)


def between_cells(cells: np.ndarray, place: np.ndarray) -> np.ndarray:
    """Cells at (2, n) places, in shares of the sides, between their middles linearly."""
    at = place * np.array(cells.shape)[:, None] - 0.5
    return np.asarray(ndimage.map_coordinates(cells, at, float, order=1, mode="nearest"))


def _local_peaks(values: np.ndarray, least: float) -> np.ndarray:
    """Where in a flat array with a rim values lie above ``least`` and above their neighbours."""
    flat, pitch = values.ravel(), values.shape[1]
    here = np.flatnonzero(flat > least)
    for step in (1, -1, pitch, -pitch, pitch + 1, -pitch - 1, pitch - 1, 1 - pitch):
        # On a plateau the last pixel in reading order wins.
        above = np.greater if step > 0 else np.greater_equal
        here = here[above(flat[here], flat[here + step])]
    return here


def vertex(values: np.ndarray, here: np.ndarray, step: np.ndarray | int) -> np.ndarray:
    """Where the parabola through maxima and their neighbours a step away has its own, in steps."""
    top = values[here]
    beside = (values[here + way] for way in (-step, step))
    before, after = (np.where(np.isfinite(value), value, top) for value in beside)
    bend = np.maximum(2 * top - before - after, 1e-9)
    return np.asarray(np.clip((after - before) / (2 * bend), -0.5, 0.5))
