"""Finding stars of unknown size: one star, one maximum of signal-to-noise over place and scale."""

from dataclasses import dataclass

import numpy as np
import sep
from scipy.ndimage import map_coordinates
from scipy.spatial import cKDTree

from .combine import weighted_median
from .sky import (
    Sky,
    blocks_of,
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
#: Fewer independent values than this do not tell how rough the sky is.
_ENOUGH, _SAMPLES = 150, 250
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
    factor, maps = 2**first, []
    left = np.zeros((1, 1)), np.ones((1, 1))
    while factor == 2**first or factor < min(_LARGEST, *levels[0].shape):
        smooth = flat
        for gain, variance in _KERNELS:
            smooth = _smooth(smooth)
            width = float(np.sqrt(variance * factor**2 + (factor**2 - 1) / 12))
            white = sky.noise / factor * gain
            left = _sky_left(smooth, white, left)
            maps.append(_Map(smooth, white, (*left, grain), width, factor))
        odd = [n % 2 for n in flat.shape]
        flat = halve(np.pad(flat, ((0, odd[0]), (0, odd[1]))) if any(odd) else flat)
        factor *= 2
    rows = np.concatenate([_maxima(maps, k, threshold) for k in range(len(maps))])
    kept = _one_each(rows[rows[:, 4] > 0, :4])
    kept = _one_each(_told_apart(kept, rows[:, :4]))
    kept = kept[np.argsort(-kept[:, 3], kind="stable")]
    widths = np.array([m.width for m in maps])
    roughness = np.array([float(np.median(m.sky[1])) for m in maps])
    return Peaks(*kept.T), widths, roughness


@dataclass(frozen=True, slots=True, eq=False)
class _Map:
    """Sky-free image smoothed to one width.

    Of the sky, three maps in cells: what is left of it, how rough it is and how noisy its pixels
    are, both over ``white``.
    """

    smooth: np.ndarray
    white: float
    sky: tuple[np.ndarray, np.ndarray, np.ndarray]
    width: float
    factor: int

    def over_white(self, x: np.ndarray, y: np.ndarray) -> np.ndarray:
        """Value over white noise at places in full-resolution pixels, the best pixel nearby."""
        row, column = (
            np.rint((c + 0.5) / self.factor - 0.5).astype(int)[:, None] + [-1, 0, 1] for c in (y, x)
        )
        row, column = (
            np.minimum(np.maximum(c, 0), n - 1)
            for c, n in zip((row, column), self.smooth.shape, strict=True)
        )
        return self.smooth[row[:, :, None], column[:, None, :]].max(axis=(1, 2)) / self.white

    def sky_at(self, row: np.ndarray, column: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Level and noise at pixels of this map: they change from cell to cell."""
        level, rough, grain = (
            map_coordinates(
                cells,
                [
                    (place + 0.5) * many / n - 0.5
                    for place, n, many in zip(
                        (row, column), self.smooth.shape, cells.shape, strict=True
                    )
                ],
                order=1,
                mode="nearest",
            )
            for cells in self.sky
        )
        return level, self.white * np.maximum(rough, grain)


def _smooth(image: np.ndarray) -> np.ndarray:
    """Weights 1 2 1 along both axes, nothing beyond the edges; in strips that stay in cache."""
    ny, nx = image.shape
    out, wide = np.empty_like(image), np.zeros((_STRIP, nx + 2), image.dtype)
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
    return out


def _sky_left(
    smooth: np.ndarray, white: float, before: tuple[np.ndarray, np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """What is left of the sky in each cell (my, mx), and its noise over white noise.

    Light is left where the sky bends within its cells, as beside an amplifier's glow. The noise is
    told by what lies below the sky, for stars only add light: nebula and the waves of a poor flat
    grow with width and are no stars. Where a map has too few independent values, the sky is taken
    to be as at the width ``before``.
    """
    cells = np.maximum(np.array(smooth.shape) // 64, 1)
    step = max(1, int(np.sqrt(smooth.size / cells.prod() / _SAMPLES)))
    sample = smooth[::step, ::step]
    if sample.size / cells.prod() < _ENOUGH:
        return before
    blocks, _, _ = blocks_of(sample, cells)
    ordered = np.sort(blocks, axis=1)
    low = ordered[:, int(0.1587 * blocks.shape[1])]
    left, rough = np.maximum(quiet_level(ordered[:, ::2]), 0), np.maximum(-low / white, 1)
    return left.reshape(cells), rough.reshape(cells)


def _maxima(maps: list[_Map], k: int, threshold: float) -> np.ndarray:
    """(n, 5) rows x, y, width, signal-to-noise of maxima over place, and whether over scale too."""
    here = maps[k]
    least = threshold * here.white * float(here.sky[1].min())
    value, row, column = _local_peaks(here.smooth, least)
    level, noise = here.sky_at(row, column)
    snr = (value - level) / noise
    keep = snr > threshold
    if not keep.any():
        return np.zeros((0, 5))
    value, snr, row, column = value[keep], snr[keep], row[keep], column[keep]
    x, y = (
        (c + _vertex(here.smooth, row, column, step) + 0.5) * here.factor - 0.5
        for c, step in ((column, (0, 1)), (row, (1, 0)))
    )
    # Sky left over grows with width without end; a star has its maximum. Over white noise: what
    # the sky's own roughness makes of it would have maxima of its own.
    wider = maps[k + 1].over_white(x, y) if k + 1 < len(maps) else np.inf
    narrower = maps[k - 1].over_white(x, y) if k > 0 else 0.0
    keep = value / here.white > np.maximum(wider, narrower)
    return np.stack([x, y, np.full(len(x), here.width), snr, keep], axis=1)


def _local_peaks(image: np.ndarray, least: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(value, row, column) of pixels above ``least`` and above their eight neighbours."""
    ny, nx = (n + 2 for n in image.shape)
    framed = np.full((ny, nx), -np.inf, image.dtype)
    framed[1:-1, 1:-1] = image
    flat = framed.ravel()
    place = np.flatnonzero(flat > least)
    for down, right in _AROUND:
        value, other = flat[place], flat[place + (down * nx + right)]
        # On a plateau the last pixel in reading order wins.
        place = place[value > other if (down, right) > (0, 0) else value >= other]
    row, column = np.divmod(place, nx)
    return flat[place], row - 1, column - 1


def _vertex(
    image: np.ndarray, row: np.ndarray, column: np.ndarray, step: tuple[int, int]
) -> np.ndarray:
    """Where the parabola through maxima and their neighbours a step away has its own, in steps."""
    down, right = step
    ny, nx = image.shape
    before = image[np.maximum(row - down, 0), np.maximum(column - right, 0)]
    after = image[np.minimum(row + down, ny - 1), np.minimum(column + right, nx - 1)]
    bend = np.maximum(2 * image[row, column] - before - after, 1e-9)
    return np.clip((after - before) / (2 * bend), -0.5, 0.5)


def _told_apart(stars: np.ndarray, rows: np.ndarray) -> np.ndarray:
    """Stars, but in place of one that is several side by side, these, from the maxima ``rows``.

    They stand out nearly as much as the whole and clear of each other, if at a narrower width.
    """
    wide = np.flatnonzero(stars[:, 2] > _LEAST_GROUP_PX)
    star, part = _within(rows, stars[wide], _GROUP)
    star, whole = wide[star], np.ones(len(stars), bool)
    large, (width, snr) = stars[star, 2:], rows[part, 2:].T
    some = np.flatnonzero((width < 0.8 * large[:, 0]) & (snr > _LEAST_ALONE * large[:, 1]))
    # Those of one width about one star together, the wider ones first.
    some = some[np.lexsort((-width[some], star[some]))]
    groups = np.split(some, 1 + np.flatnonzero(np.diff(star[some]) | (np.diff(width[some]) != 0)))
    found = []
    for group in groups:
        if len(group) < 2 or not whole[star[group[0]]]:
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
    many = np.array([len(one) for one in near], int)
    return np.repeat(np.arange(len(stars)), many), np.array([j for one in near for j in one], int)


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
