"""Finding stars of unknown size: one star, one maximum of signal-to-noise over place and scale."""

from dataclasses import dataclass
from itertools import chain, pairwise

import numpy as np
import sep
from scipy.spatial import cKDTree

from .combine import weighted_median
from .maps import Cells, Maps, between_cells, local_peaks, sky_left, smoothed, vertex
from .sky import (
    Sky,
    grain_map,
    halve,
    noise_sample,
    pixel_noise,
    sky_map,
    without_spikes,
)

#: Images larger than this (pixels) are searched from half scale down, unless they hold so many
#: stars to a pixel: close ones part at full scale. For the largest that costs too much.
_LARGE, _CROWDED, _LARGEST_IN_FULL = 500_000, 1 / 1500, 4_000_000
#: Larger ones that hold so many bright stars, but few to a pixel, are searched from quarter scale:
#: what is too faint or near for that is not needed.
_PLENTY, _APART = 300, 1 / 8000
#: Sky cells in pixels, and in typical widths of the bright stars where that is more.
_CELL_PX, _CELL_WIDTHS, _WIDE = 48.0, 14.0, 4.0
#: The widest maximum looked for, pixels.
_LARGEST = 256
#: A weaker maximum this near to a stronger one, in widths of the larger, belongs to it.
_BELONGS = 1.8
#: Stars side by side stand out alone nearly as much as together (of two discs that touch the
#: brighter 0.85), and so many widths apart; the lumps of one ring do not (half a disc 0.71).
_ALONE, _LEAST_ALONE, _CLEAR, _GROUP, _LEAST_GROUP_PX = 0.8, 0.65, 3.0, 2.4, 2.5
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
    large = float(weighted_median(bright.width, bright.snr)) if len(bright) else 0.0
    covered = _cover(levels[coarse], 2**coarse, bright)
    seen = covered if np.isfinite(covered).sum() > _LEAST_SEEN else levels[coarse]
    sky = sky_map(seen, 2**coarse, noise, cell_px=max(_CELL_PX, _CELL_WIDTHS * large))
    grain = grain_map(sample, covered, noise)
    if image.size > _LARGEST_IN_FULL and _PLENTY < len(bright) < _APART * image.size:
        first = 2
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
    flat = sky.on_grid(levels[first].shape, 2**first)
    np.subtract(levels[first], flat, out=flat)
    if np.isnan(flat.sum()):
        np.nan_to_num(flat, copy=False, nan=0.0)
    maps = smoothed(flat, 2**first, sky.noise, min(_LARGEST, *levels[0].shape))
    cells = sky_left(maps)
    rows = _maxima(maps, cells, grain, threshold)
    kept = _one_each(rows[rows[:, 4] > 0, :4])
    kept = _one_each(_told_apart(kept, rows[:, :4]))
    kept = kept[np.argsort(-kept[:, 3], kind="stable")]
    roughness = [np.sort(cells.values[1, own]) for own in cells.of_map]
    return Peaks(*kept.T), maps.width, np.array([one[len(one) // 2] for one in roughness])


def _maxima(maps: Maps, cells: Cells, grain: np.ndarray, threshold: float) -> np.ndarray:
    """(n, 5) rows x, y, width, signal-to-noise of maxima over place, and whether over scale too."""
    least = threshold * maps.white * [cells.values[1, own].min() for own in cells.of_map]
    k, here = local_peaks(maps, least)
    value, pitch = maps.values[here], maps.pitch[k]
    pixel = np.stack(np.divmod(here - maps.first[k], pitch), axis=1)
    share = (pixel + 0.5) / maps.shape[k]
    start = np.array([own.start for own in cells.of_map])
    level, rough = between_cells(cells.values, start[k], cells.count[k], share)
    grainy = between_cells(grain.ravel(), 0, np.array(grain.shape), share)
    snr = (value - level) / (maps.white[k] * np.maximum(rough, grainy))
    keep = snr > threshold
    k, here, value, pitch, pixel, snr = (c[keep] for c in (k, here, value, pitch, pixel, snr))
    y, x = (
        (pixel[:, axis] + vertex(maps.values, here, step) + 0.5) * maps.factor[k] - 0.5
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
