"""An image smoothed to many widths, the level and noise of its sky in each, and its maxima."""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy import ndimage

from .sky import halve, quiet_level

#: Noise of a pixel of unit noise after weights 1 2 1, once and twice, along both axes; and the
#: variance of these weights along an axis.
_KERNELS = ((0.375, 0.5), (0.2734375, 1.0))
#: Fewer pixels than this do not tell how rough the sky of a cell is; of others so many squared do.
_ENOUGH, _SAMPLES = 150, 16
#: Rows that stay in the processor's cache together.
_STRIP = 64
#: Steps (down, right) to a pixel and its neighbours.
_AROUND = np.mgrid[-1:2, -1:2].reshape(2, 9)


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """Sky-free image smoothed to one ``width`` (its pixels hold ``factor`` pixels of the image).

    ``values`` have a rim one pixel wide of what is below everything; ``white`` is the noise of
    white noise so smoothed. ``left`` is what is left of the sky in coarse cells, ``rough`` its
    noise there over white noise.
    """

    values: np.ndarray
    width: float
    factor: int
    white: float
    left: np.ndarray
    rough: np.ndarray

    def over_white(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Value over white noise at places in the image's pixels, the best pixel nearby."""
        row, column = (
            np.clip(np.rint((c + 0.5) / self.factor + 0.5).astype(int), 1, n - 2)
            for c, n in zip((y, x), self.values.shape, strict=True)
        )
        down, right = _AROUND[:, :, None]
        return np.asarray(self.values[row + down, column + right].max(axis=0) / self.white)


def smoothed(flat: np.ndarray, factor: int, noise: float, largest: int) -> list[Map]:
    """Smooth an image of blocks of ``factor`` pixels to two widths an octave up to the largest."""
    maps: list[Map] = []
    none = np.zeros((1, 1))
    while not maps or factor < largest:
        values = np.pad(flat, 1)
        # The rim makes odd sides even.
        flat = halve(values[tuple(slice(1, n + 1 + n % 2) for n in flat.shape)])
        for gain, variance in _KERNELS:
            values = _smooth(values)
            width = float(np.sqrt(variance * factor**2 + (factor**2 - 1) / 12))
            maps.append(Map(values, width, factor, noise / factor * gain, none, none + 1))
        factor *= 2
    for one in maps:
        one.values[[0, -1]] = one.values[:, [0, -1]] = -np.inf
    return list(_with_sky_left(maps))


def _smooth(values: np.ndarray) -> np.ndarray:
    """Weights 1 2 1 along both axes, nothing beyond the rim; in strips that stay in cache."""
    out = np.zeros_like(values)
    for top in range(0, len(values) - 2, _STRIP):
        rows = values[top : top + _STRIP + 2]
        pairs = rows[:-1] + rows[1:]
        down = pairs[:-1] + pairs[1:]
        across = down[:, :-1] + down[:, 1:]
        here = out[top + 1 : top + 1 + len(down), 1:-1]
        np.add(across[:, :-1], across[:, 1:], out=here)
        here *= 1 / 16
    return out


def _with_sky_left(maps: list[Map]) -> Iterator[Map]:
    """Maps with what is left of the sky in their cells, and its noise over white noise.

    Light is left where the sky bends within its cells, as beside an amplifier's glow. The noise is
    told by what lies below the sky, for stars only add light: nebula and the waves of a poor flat
    grow with width and are no stars. Where a map has too few independent values, the sky is taken
    to be as at the width before.
    """
    inner = [one.values[1:-1, 1:-1] for one in maps]
    counts = [np.maximum(np.array(values.shape) // 64, 1) for values in inner]
    told = [v.size >= _ENOUGH * c.prod() for v, c in zip(inner, counts, strict=True)]
    shown = [_spread_over(v, c) for v, c, t in zip(inner, counts, told, strict=True) if t]
    # All maps at once: most have few cells.
    ordered = np.sort(np.concatenate([np.zeros((0, _SAMPLES**2), np.float32), *shown]), axis=1)
    left = np.maximum(quiet_level(ordered[:, ::2]), 0)
    low, first, before = ordered[:, int(0.1587 * _SAMPLES**2)], 0, maps[0]
    for one, count, is_told in zip(maps, counts, told, strict=True):
        if is_told:
            own = slice(first, first := first + int(count.prod()))
            rough = np.maximum(-low[own].reshape(count) / one.white, 1)
            before = replace(one, left=left[own].reshape(count), rough=rough)
        yield replace(one, left=before.left, rough=before.rough)


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


def local_peaks(values: np.ndarray, least: float) -> np.ndarray:
    """Where in a flat array with a rim values lie above ``least`` and above their neighbours."""
    flat, pitch = values.ravel(), values.shape[1]
    here = np.flatnonzero(flat > least)
    for step in (1, -1, pitch, -pitch, pitch + 1, -pitch - 1, pitch - 1, 1 - pitch):
        # On a plateau the last pixel in reading order wins.
        above = np.greater if step > 0 else np.greater_equal
        here = here[above(flat[here], flat[here + step])]
    return here


def vertex(values: np.ndarray, here: np.ndarray, step: int) -> np.ndarray:
    """Where the parabola through maxima and their neighbours a step away has its own, in steps."""
    top = values[here]
    beside = (values[here + way] for way in (-step, step))
    before, after = (np.where(np.isfinite(value), value, top) for value in beside)
    bend = np.maximum(2 * top - before - after, 1e-9)
    return np.asarray(np.clip((after - before) / (2 * bend), -0.5, 0.5))
