"""An image smoothed to many widths, the level and noise of its sky in each, and its maxima."""

from dataclasses import dataclass

import numpy as np

from .sky import halve, quiet_level

#: Noise of a pixel of unit noise after weights 1 2 1, once and twice, along both axes; and the
#: variance of these weights along an axis.
_KERNELS = ((0.375, 0.5), (0.2734375, 1.0))
#: Fewer pixels than this do not tell how rough the sky of a cell is; of others so many squared do.
_ENOUGH, _SAMPLES = 150, 16
#: Steps (down, right) to a pixel's neighbours, those beside it first.
_AROUND = ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (-1, -1), (1, -1), (-1, 1))
#: Rows that stay in the processor's cache together.
_STRIP = 64


@dataclass(frozen=True, slots=True, eq=False)
class Maps:
    """Sky-free image smoothed to one width after the other, all in one row of values.

    Each map has a frame one pixel wide of what is below everything. ``shape`` (k, 2) is without
    it, ``first`` (k,) where a map's own first pixel stands in ``values``, ``pitch`` (k,) how far
    apart its rows are. ``white`` (k,) is the noise of white noise so smoothed; ``width`` and
    ``factor``, how many pixels are binned in one, are in pixels of the image.
    """

    values: np.ndarray
    shape: np.ndarray
    first: np.ndarray
    pitch: np.ndarray
    white: np.ndarray
    width: np.ndarray
    factor: np.ndarray

    def __len__(self) -> int:
        return len(self.first)

    def inside(self, k: int) -> np.ndarray:
        """One map."""
        (ny, nx), pitch, first = self.shape[k], self.pitch[k], self.first[k]
        return self.values[first : first + ny * pitch].reshape(ny, pitch)[:, :nx]

    def framed(self, k: int) -> np.ndarray:
        """Values of one map and its frame."""
        start = self.first[k] - self.pitch[k] - 1
        return self.values[start : start + (self.shape[k, 0] + 2) * self.pitch[k]]

    def over_white(self, k: np.ndarray, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Value over white noise at places in the image's pixels, the best pixel nearby."""
        row, column = (
            np.clip(np.rint((c + 0.5) / self.factor[k] - 0.5).astype(int), 0, n - 1)
            for c, n in zip((y, x), self.shape[k].T, strict=True)
        )
        here = self.first[k] + row * self.pitch[k] + column
        best = self.values[here]
        for down, right in _AROUND:
            np.maximum(best, self.values[here + down * self.pitch[k] + right], out=best)
        return np.asarray(best / self.white[k])


def smoothed(flat: np.ndarray, factor: int, noise: float, largest: int) -> Maps:
    """Smooth an image of blocks of ``factor`` pixels to two widths an octave up to the largest."""
    many = max(1, int(np.ceil(np.log2(largest / factor))))
    factors = np.repeat(factor * 2 ** np.arange(many), 2)
    shape = -(-np.array(flat.shape) * factor // factors[:, None])  # odd sides are padded
    pitch, (gain, variance) = shape[:, 1] + 2, np.tile(np.transpose(_KERNELS), many)
    ends = np.cumsum((shape[:, 0] + 2) * pitch)
    maps = Maps(
        values=np.empty(ends[-1], np.float32),
        shape=shape,
        first=np.r_[0, ends[:-1]] + pitch + 1,
        pitch=pitch,
        white=noise / factors * gain,
        width=np.sqrt(variance * factors**2 + (factors**2 - 1) / 12),
        factor=factors,
    )
    for k in range(0, len(maps), 2):
        if k:
            flat = halve(flat, whole=True)
        _smooth(flat, maps.inside(k))
        _smooth(maps.inside(k), maps.inside(k + 1))
    for k in range(len(maps)):
        framed = maps.framed(k).reshape(-1, pitch[k])
        framed[[0, -1]] = framed[:, [0, -1]] = -np.inf
    return maps


def _smooth(image: np.ndarray, out: np.ndarray) -> None:
    """Weights 1 2 1 along both axes, nothing beyond the edges; in strips that stay in cache."""
    ny, nx = image.shape
    wide = np.zeros((min(_STRIP, ny), nx + 2), image.dtype)
    for top in range(0, ny, _STRIP):
        rows = image[top : top + _STRIP]
        down = wide[: len(rows), 1:-1]
        np.multiply(rows, 2, out=down)
        down[int(top == 0) :] += image[max(top - 1, 0) : top + len(rows) - 1]
        below = image[top + 1 : top + len(rows) + 1]
        down[: len(below)] += below
        across = wide[: len(rows), :-1] + wide[: len(rows), 1:]
        here = out[top : top + len(rows)]
        np.add(across[:, :-1], across[:, 1:], out=here)
        here *= 1 / 16


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """What maps tell of their sky in coarse cells, those of all maps in one row.

    ``values`` (2, c) are what is left of the sky and its noise over white noise; of each map
    ``of_map`` says which cells are its, ``count`` (k, 2) how many along y and x.
    """

    values: np.ndarray
    of_map: list[slice]
    count: np.ndarray


def sky_left(maps: Maps) -> Cells:
    """What is left of the sky in the cells of each map, and its noise over white noise.

    Light is left where the sky bends within its cells, as beside an amplifier's glow. The noise is
    told by what lies below the sky, for stars only add light: nebula and the waves of a poor flat
    grow with width and are no stars. Where a map has too few independent values, the sky is taken
    to be as at the width before.
    """
    count = np.maximum(maps.shape // 64, 1)
    samples, white = [np.zeros((1, _SAMPLES**2), np.float32)], [1.0]
    of_map = [slice(0, 1)]
    for k, (size, cells) in enumerate(zip(maps.shape.prod(1), count.prod(1), strict=True)):
        if size < _ENOUGH * cells:
            count[k] = count[k - 1] if k else 1
            of_map.append(of_map[-1])
            continue
        samples.append(_spread_over(maps.inside(k), count[k]))
        white += [maps.white[k]] * cells
        of_map.append(slice(of_map[-1].stop, of_map[-1].stop + cells))
    ordered = np.sort(np.concatenate(samples), axis=1)
    low = ordered[:, int(0.1587 * _SAMPLES**2)]
    left, rough = np.maximum(quiet_level(ordered[:, ::2]), 0), np.maximum(-low / white, 1)
    return Cells(np.stack([left, rough]), of_map[1:], count)


def _spread_over(image: np.ndarray, count: np.ndarray) -> np.ndarray:
    """(cells, samples) values evenly spread over each cell."""
    rows, columns = (
        ((np.arange(many * _SAMPLES) + 0.5) * n / (many * _SAMPLES)).astype(int)
        for many, n in zip(count, image.shape, strict=True)
    )
    values = image[rows[:, None], columns].reshape(count[0], _SAMPLES, count[1], _SAMPLES)
    return values.swapaxes(1, 2).reshape(-1, _SAMPLES**2)


def between_cells(
    values: np.ndarray, first: np.ndarray | int, count: np.ndarray, place: np.ndarray
) -> np.ndarray:
    """Cells at (n, 2) places, in shares of the sides of their maps, between middles linearly.

    The cells of each place begin at ``first`` in the rows of ``values``, ``count`` along y and x.
    """
    at = np.clip(place * count - 0.5, 0, count - 1)
    low = at.astype(int)
    (part_y, part_x), high = (at - low).T, np.minimum(low + 1, count - 1)
    corners = (
        (first + y * count[..., 1] + x, share_y * share_x)
        for y, share_y in ((low[:, 0], 1 - part_y), (high[:, 0], part_y))
        for x, share_x in ((low[:, 1], 1 - part_x), (high[:, 1], part_x))
    )
    return np.asarray(sum(values[..., cell] * share for cell, share in corners))


def local_peaks(maps: Maps, least: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pixels above what is ``least`` in their map and above their eight neighbours.

    Which map, and where in its values.
    """
    found = [np.flatnonzero(maps.framed(k) > at_least) for k, at_least in enumerate(least)]
    k = np.repeat(np.arange(len(maps)), [len(one) for one in found])
    pitch = maps.pitch[k]
    here = np.concatenate(found) + maps.first[k] - pitch - 1
    for down, right in _AROUND:
        value, other = maps.values[here], maps.values[here + down * pitch + right]
        # On a plateau the last pixel in reading order wins.
        top = value > other if (down, right) > (0, 0) else value >= other
        k, here, pitch = k[top], here[top], pitch[top]
    return k, here


def vertex(values: np.ndarray, here: np.ndarray, step: np.ndarray | int) -> np.ndarray:
    """Where the parabola through maxima and their neighbours a step away has its own, in steps."""
    top = values[here]
    beside = (values[here + way] for way in (-step, step))
    before, after = (np.where(np.isfinite(value), value, top) for value in beside)
    bend = np.maximum(2 * top - before - after, 1e-9)
    return np.asarray(np.clip((after - before) / (2 * bend), -0.5, 0.5))
