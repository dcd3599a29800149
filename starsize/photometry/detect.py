"""Finding stars of unknown size: one star, one maximum of signal-to-noise over place and scale."""

from dataclasses import dataclass
from itertools import chain, pairwise

import numpy as np
import sep
from scipy.spatial import cKDTree

from .combine import weighted_median
from .sky import (
    Sky,
    grain_map,
    halve,
    noise_sample,
    pixel_noise,
    quiet_level,
    sky_map,
    without_spikes,
)

#: Images larger than this (pixels) are searched from half scale down, unless they hold so many
#: stars to a pixel: close ones part at full scale. For the largest that costs too much.
_LARGE, _CROWDED, _LARGEST_IN_FULL = 500_000, 1 / 1500, 4_000_000
#: Sky cells in pixels, and in typical widths of the bright stars where that is more.
_CELL_PX, _CELL_WIDTHS, _WIDE = 48.0, 14.0, 4.0
#: The widest maximum looked for, pixels.
_LARGEST = 256
#: Noise of a pixel of unit noise after weights 1 2 1, once and twice, along both axes; and the
#: variance of these weights along an axis.
_KERNELS = ((0.375, 0.5), (0.2734375, 1.0))
#: A weaker maximum this near to a stronger one, in widths of the larger, belongs to it.
_BELONGS = 1.8
#: Stars side by side stand out alone nearly as much as together (of two discs that touch the
#: brighter 0.85), and so many widths apart; the lumps of one ring do not (half a disc 0.71).
_ALONE, _LEAST_ALONE, _CLEAR, _GROUP, _LEAST_GROUP_PX = 0.8, 0.65, 3.0, 2.4, 2.5
#: Fewer pixels than this do not tell how rough the sky of a cell is; of others so many squared do.
_ENOUGH, _SAMPLES = 150, 16
#: Steps (down, right) to a pixel's neighbours, those beside it first.
_AROUND = ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (-1, -1), (1, -1), (-1, 1))
#: Rows that stay in the processor's cache together.
_STRIP = 64
#: So far around a bright star, in its widths, the sky is not to be learned from.
_COVERED = 3.5
#: With fewer pixels beside the stars than this, the sky is learned among them.
_LEAST_SEEN = 30


@dataclass(frozen=True, slots=True, eq=False)
class Peaks:
    """What stands out, strongest first; ``width`` is the sigma of the Gaussian that fits best."""

    x: np.ndarray
    y: np.ndarray
    width: np.ndarray
    snr: np.ndarray

    def __len__(self) -> int:
        return len(self.x)

    def part(self, which: np.ndarray) -> "Peaks":
        """Return some of the peaks, by index or mask."""
        return Peaks(self.x[which], self.y[which], self.width[which], self.snr[which])


def typical_width(peaks: Peaks) -> float:
    """Median width of peaks, those that stand out counting more."""
    order, weight = np.argsort(peaks.width), np.clip(peaks.snr, 1.0, 100.0)
    share = np.cumsum(weight[order])
    return float(peaks.width[order][np.searchsorted(share, 0.5 * share[-1])])


@dataclass(frozen=True, slots=True, eq=False)
class Detected:
    """The stars of an image, its sky, and what measuring them needs.

    ``levels`` are the image binned by 1, 2, 4, ..., the first without its lone spikes;
    ``roughness`` is how much noisier than white noise the sky is at each of ``widths`` in pixels.
    """

    peaks: Peaks
    sky: Sky
    levels: list[np.ndarray]
    widths: np.ndarray
    roughness: np.ndarray


def detect(image: np.ndarray, *, threshold: float) -> Detected:
    """Find everything of a signal-to-noise ratio above ``threshold``, of whatever size, each once.

    ``image`` is NaN where unusable.
    """
    sample = noise_sample(image)
    noise = pixel_noise(sample)
    levels = [without_spikes(image, noise)]
    while min(levels[-1].shape) >= 8:
        levels.append(halve(levels[-1]))
    first = 1 if image.size > _LARGE and len(levels) > 2 else 0
    coarse = min(3, max(first + 1, len(levels) - 5), len(levels) - 1)
    sky = sky_map(levels[coarse], 2**coarse, noise, cell_px=_CELL_PX)
    # What is large or bright is found first, at a glance, so that the sky is learned beside it.
    # What is wider than the cells let through has to stand out the more: the map itself is rough.
    bright, _, _ = _search(levels, coarse, sky, np.ones((1, 1)), 2 * threshold)
    bright = bright.part(bright.snr > 2 * threshold * _WIDE * bright.width / _CELL_PX)
    large = weighted_median(bright.width, bright.snr) if len(bright) else 0.0
    covered = _cover(levels[coarse], 2**coarse, bright)
    seen = covered if np.isfinite(covered).sum() > _LEAST_SEEN else levels[coarse]
    sky = sky_map(seen, 2**coarse, noise, cell_px=max(_CELL_PX, _CELL_WIDTHS * large))
    grain = grain_map(sample, covered, noise)
    peaks, widths, roughness = _search(levels, first, sky, grain, threshold)
    if first and _CROWDED * image.size < len(peaks) and image.size < _LARGEST_IN_FULL:
        peaks, widths, roughness = _search(levels, 0, sky, grain, threshold)
    return Detected(peaks, sky, levels, widths, roughness)


def _search(
    levels: list[np.ndarray], first: int, sky: Sky, grain: np.ndarray, threshold: float
) -> tuple[Peaks, np.ndarray, np.ndarray]:
    """Maxima over place and scale; the widths tried and how rough the sky is at each."""
    if not sky.noise > 0:
        return Peaks(*np.zeros((4, 0))), np.ones(1), np.ones(1)
    flat = levels[first] - sky.on_grid(levels[first].shape, 2**first)
    if np.isnan(flat.sum()):
        np.nan_to_num(flat, copy=False, nan=0.0)
    maps = _smoothed(flat, 2**first, sky.noise, min(_LARGEST, *levels[0].shape))
    cells = _sky_left(maps)
    rows = _maxima(maps, cells, grain, threshold)
    kept = _one_each(rows[rows[:, 4] > 0, :4])
    kept = _one_each(_told_apart(kept, rows[:, :4]))
    kept = kept[np.argsort(-kept[:, 3], kind="stable")]
    roughness = [np.sort(cells.values[1, own]) for own in cells.of_map]
    return Peaks(*kept.T), maps.width, np.array([one[len(one) // 2] for one in roughness])


@dataclass(frozen=True, slots=True, eq=False)
class _Maps:
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


def _smoothed(flat: np.ndarray, factor: int, noise: float, largest: int) -> _Maps:
    """Smooth an image of blocks of ``factor`` pixels to two widths an octave up to the largest."""
    many = max(1, int(np.ceil(np.log2(largest / factor))))
    factors = np.repeat(factor * 2 ** np.arange(many), 2)
    shape = -(-np.array(flat.shape) * factor // factors[:, None])  # odd sides are padded
    pitch, (gain, variance) = shape[:, 1] + 2, np.tile(np.transpose(_KERNELS), many)
    ends = np.cumsum((shape[:, 0] + 2) * pitch)
    maps = _Maps(
        values=np.full(ends[-1], np.float32(-np.inf)),
        shape=shape,
        first=np.r_[0, ends[:-1]] + pitch + 1,
        pitch=pitch,
        white=noise / factors * gain,
        width=np.sqrt(variance * factors**2 + (factors**2 - 1) / 12),
        factor=factors,
    )
    for k in range(0, len(maps), 2):
        if k:
            odd = [n % 2 for n in flat.shape]
            flat = halve(np.pad(flat, ((0, odd[0]), (0, odd[1]))) if any(odd) else flat)
        _smooth(flat, maps.inside(k))
        _smooth(maps.inside(k), maps.inside(k + 1))
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
class _Cells:
    """What maps tell of their sky in coarse cells, those of all maps in one row.

    ``values`` (2, c) are what is left of the sky and its noise over white noise; of each map
    ``of_map`` says which cells are its, ``count`` (k, 2) how many along y and x.
    """

    values: np.ndarray
    of_map: list[slice]
    count: np.ndarray


def _sky_left(maps: _Maps) -> _Cells:
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
    return _Cells(np.stack([left, rough]), of_map[1:], count)


def _spread_over(image: np.ndarray, count: np.ndarray) -> np.ndarray:
    """(cells, samples) values evenly spread over each cell."""
    rows, columns = (
        ((np.arange(many * _SAMPLES) + 0.5) * n / (many * _SAMPLES)).astype(int)
        for many, n in zip(count, image.shape, strict=True)
    )
    values = image[rows[:, None], columns].reshape(count[0], _SAMPLES, count[1], _SAMPLES)
    return values.swapaxes(1, 2).reshape(-1, _SAMPLES**2)


def _between_cells(
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


def _maxima(maps: _Maps, cells: _Cells, grain: np.ndarray, threshold: float) -> np.ndarray:
    """(n, 5) rows x, y, width, signal-to-noise of maxima over place, and whether over scale too."""
    least = threshold * maps.white * [cells.values[1, own].min() for own in cells.of_map]
    k, here = _local_peaks(maps, least)
    value, pitch = maps.values[here], maps.pitch[k]
    pixel = np.stack(np.divmod(here - maps.first[k], pitch), axis=1)
    share = (pixel + 0.5) / maps.shape[k]
    start = np.array([own.start for own in cells.of_map])
    level, rough = _between_cells(cells.values, start[k], cells.count[k], share)
    grainy = _between_cells(grain.ravel(), 0, np.array(grain.shape), share)
    snr = (value - level) / (maps.white[k] * np.maximum(rough, grainy))
    keep = snr > threshold
    k, here, value, pitch, pixel, snr = (c[keep] for c in (k, here, value, pitch, pixel, snr))
    y, x = (
        (pixel[:, axis] + _vertex(maps.values, here, step) + 0.5) * maps.factor[k] - 0.5
        for axis, step in enumerate((pitch, 1))
    )
    # Sky left over grows with width without end; a star has its maximum. Over white noise: what
    # the sky's own roughness makes of it would have maxima of its own.
    wider, narrower = np.full((2, len(k)), [[np.inf], [0.0]])
    inner, outer = k < len(maps) - 1, k > 0
    wider[inner] = maps.over_white(k[inner] + 1, x[inner], y[inner])
    narrower[outer] = maps.over_white(k[outer] - 1, x[outer], y[outer])
    best = value / maps.white[k] > np.maximum(wider, narrower)
    return np.stack([x, y, maps.width[k], snr, best], axis=1)


def _local_peaks(maps: _Maps, least: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
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


def _vertex(values: np.ndarray, here: np.ndarray, step: np.ndarray | int) -> np.ndarray:
    """Where the parabola through maxima and their neighbours a step away has its own, in steps."""
    top = values[here]
    beside = (values[here + way] for way in (-step, step))
    before, after = (np.where(np.isfinite(value), value, top) for value in beside)
    bend = np.maximum(2 * top - before - after, 1e-9)
    return np.asarray(np.clip((after - before) / (2 * bend), -0.5, 0.5))


def _told_apart(stars: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Stars, but in place of one that is several side by side, these, from the maxima ``rows``.

    They stand out nearly as much as the whole and clear of each other, if at a narrower width.
    """
    wide = np.flatnonzero(stars[:, 2] > _LEAST_GROUP_PX)
    star, part = _within(rows, stars[wide], _GROUP)
    star, whole = wide[star], np.ones(len(stars), bool)
    large, (width, snr) = stars[star, 2:], rows[part, 2:].T
    some = np.flatnonzero((width < 0.8 * large[:, 0]) & (snr > _LEAST_ALONE * large[:, 1]))
    # Those of one width about one star together, the wider ones first; one alone is no group.
    some = some[np.lexsort((-width[some], star[some]))]
    new = np.diff(star[some], prepend=-1) | (np.diff(width[some], prepend=0.0) != 0)
    ends = pairwise([*np.flatnonzero(new), len(some)])
    groups = [some[a:b] for a, b in ends if b > a + 1]
    found = []
    for group in groups:
        if not whole[star[group[0]]]:
            continue
        if snr[group].max() > _ALONE * large[group[0], 1]:
            place = rows[part[group], 0] + 1j * rows[part[group], 1]
            gaps = np.abs(place[:, None] - place)[~np.eye(len(group), dtype=bool)]
            if gaps.min() > _CLEAR * width[group[0]]:
                whole[star[group[0]]] = False
                found.append(rows[part[group]])
    return np.concatenate([stars[whole], *found])


def _within(rows: np.ndarray, stars: np.ndarray, widths: float) -> tuple[np.ndarray, np.ndarray]:
    """Pairs (star, row), by index, of rows within so many of a star's widths of it."""
    near = cKDTree(rows[:, :2]).query_ball_point(stars[:, :2], widths * stars[:, 2])
    many = np.fromiter(map(len, near), int, len(near))
    every = np.fromiter(chain.from_iterable(near), int, many.sum())
    return np.repeat(np.arange(len(stars)), many), every


def _one_each(rows: np.ndarray) -> np.ndarray:
    """Leave one maximum a star: the strongest."""
    rows = rows[np.argsort(-rows[:, 3], kind="stable")]
    if len(rows) < 2:
        return rows
    own, near = _within(rows, rows, _BELONGS)
    larger = rows[near, 2] <= rows[own, 2]
    pairs = own[larger], near[larger]
    strong, weak = np.minimum(*pairs), np.maximum(*pairs)
    strong, weak = strong[strong < weak], weak[strong < weak]
    alive = np.ones(len(rows), bool)
    while len(strong):
        beaten = np.zeros(len(rows), bool)
        beaten[weak] = True
        sure = ~beaten[strong]  # nothing stronger is near these
        alive[weak[sure]] = False
        open_ = ~sure & alive[strong] & alive[weak]
        strong, weak = strong[open_], weak[open_]
    return rows[alive]


def _cover(binned: np.ndarray, factor: int, peaks: Peaks) -> np.ndarray:
    """The image with NaN about each peak."""
    x, y = ((place + 0.5) / factor - 0.5 for place in (peaks.x, peaks.y))
    reach = _COVERED * peaks.width / factor
    hidden = np.zeros(binned.shape, np.uint8)
    sep.mask_ellipse(hidden, x, y, reach, reach, np.zeros(len(peaks)), r=1.0)
    return np.where(hidden > 0, np.float32(np.nan), binned)
