"""Finding stars of unknown size: one star, one maximum of signal-to-noise over place and scale."""

from dataclasses import dataclass
from itertools import chain

import numpy as np
import sep
from scipy.spatial import cKDTree
from scipy.spatial.distance import pdist

from .combine import weighted_median
from .maps import Maps, between_cells, smoothed, vertex
from .sky import (
    Sky,
    first_levels,
    grain_map,
    halve,
    noise_sample,
    pixel_noise,
    sky_map,
    slope_of,
)

#: Images larger than this (pixels) are searched from half scale down, unless they hold so many
#: stars to a pixel: close ones part at full scale. For the largest that costs too much.
_LARGE, _CROWDED, _LARGEST_IN_FULL = 500_000, 1 / 1500, 4_000_000
#: Larger ones that hold so many bright stars, but few to a pixel, are searched from quarter scale:
#: what is too faint or near for that is not needed.
_PLENTY, _APART = 40, 1 / 8000
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
#: What is so many times as wide as the bright stars is none of them.
_MUCH_WIDER = 4.0
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
    """Median width of peaks, one of theirs, those that stand out counting more."""
    say = np.clip(peaks.snr, 1.0, 100.0)
    return float(np.quantile(peaks.width, 0.5, weights=say, method="inverted_cdf"))


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


def detect(image: np.ndarray, *, threshold: float, most: int | None) -> Detected:
    """Find everything of a signal-to-noise ratio above ``threshold``, of whatever size, each once.

    ``image`` is NaN where unusable. Of more than ``most`` the weaker are not measured, and may be
    several side by side.
    """
    sample = noise_sample(image)
    noise = pixel_noise(sample)
    levels = list(first_levels(image, noise))
    while min(levels[-1].shape) >= 8:
        levels.append(halve(levels[-1]))
    first = 1 if image.size > _LARGE and len(levels) > 2 else 0
    glance = 4 if image.size > _LARGEST_IN_FULL else 3
    coarse = min(glance, max(first + 1, len(levels) - 5), len(levels) - 1)
    slope = slope_of(levels[coarse], 2**coarse)
    sky = sky_map(levels[coarse], 2**coarse, noise, cell_px=_CELL_PX, slope=slope)
    # What is large or bright is found first, at a glance, so that the sky is learned beside it.
    # What is wider than the cells let through has to stand out the more: the map itself is rough.
    bright, _, _ = _search(levels, coarse, sky, np.ones((1, 1)), 2 * threshold, most)
    bright = bright.part(bright.snr > 2 * threshold * _WIDE * bright.width / _CELL_PX)
    large = weighted_median(bright.width, bright.snr) if len(bright) else 0.0
    # What is much wider than the stars is a galaxy or nebula, and part of the sky.
    stars = bright.part(bright.width < _MUCH_WIDER * large)
    covered = _cover(levels[coarse], 2**coarse, stars)
    beside = np.isfinite(covered).sum() > _LEAST_SEEN
    sky = sky_map(
        covered if beside else levels[coarse],
        2**coarse,
        noise,
        cell_px=max(_CELL_PX, _CELL_WIDTHS * large),
        slope=slope * beside,
    )
    grain = grain_map(sample, covered, noise)
    plenty = most is not None and _PLENTY < len(bright) < _APART * image.size
    if plenty and image.size > _LARGEST_IN_FULL:
        first = 2
    peaks, widths, roughness = _search(levels, first, sky, grain, threshold, most)
    if first and _CROWDED * image.size < len(peaks) and image.size < _LARGEST_IN_FULL:
        peaks, widths, roughness = _search(levels, 0, sky, grain, threshold, most)
    return Detected(peaks, sky, levels, widths, roughness)


def _search(
    levels: list[np.ndarray],
    first: int,
    sky: Sky,
    grain: np.ndarray,
    threshold: float,
    most: int | None,
) -> tuple[Peaks, np.ndarray, np.ndarray]:
    """Maxima over place and scale; the widths tried and how rough the sky is at each."""
    if not sky.noise > 0:
        return Peaks(*np.zeros((4, 0))), np.ones(1), np.ones(1)
    flat = levels[first] - sky.on_grid(levels[first].shape, 2**first)
    flat[np.isnan(flat)] = 0
    maps = smoothed(flat, 2**first, sky.noise, min(_LARGEST, *levels[0].shape))
    rows, best = _maxima(maps, grain, threshold)
    kept = _told_apart(_one_each(rows[best]), rows, most)[:, :4]
    rough = np.array([np.sort(cells, axis=None)[cells.size // 2] for cells in maps.rough])
    return Peaks(*kept.T), maps.width, rough


def _maxima(maps: Maps, grain: np.ndarray, threshold: float) -> tuple[np.ndarray, np.ndarray]:
    """(n, 5) rows x, y, width, signal-to-noise, light over white noise of maxima of maps.

    And which of them are maxima over scale too.
    """
    which, spot = maps.peaks(threshold)
    pixel = np.stack(np.divmod(spot - maps.first[which], maps.shape[which, 1])) - 1
    share = (pixel + 0.5) / (maps.shape[which].T - 2)
    left, rough = maps.sky_left(which, share)
    noise = maps.white[which] * np.maximum(rough, between_cells(grain, share))
    snr = (maps.values[spot] - left) / noise
    out = snr > threshold
    which, spot, pixel, snr = which[out], spot[out], pixel[:, out], snr[out]
    y, x = (
        (at + vertex(maps.values, spot, step) + 0.5) * maps.factor[which] - 0.5
        for at, step in zip(pixel, (maps.shape[which, 1], 1), strict=True)
    )
    # Sky left over grows with width without end; a star has its maximum. Over white noise: what
    # the sky's own roughness makes of it would have maxima of its own.
    here, last = maps.values[spot] / maps.white[which], len(maps.width) - 1
    best = here > np.where(which < last, maps.over_white(np.minimum(which + 1, last), x, y), np.inf)
    best &= here > np.where(which > 0, maps.over_white(np.maximum(which - 1, 0), x, y), 0.0)
    return np.stack([x, y, maps.width[which], snr, here], axis=1), best


def _told_apart(stars: np.ndarray, rows: np.ndarray, most: int | None) -> np.ndarray:
    """Stars, but in place of one that is several side by side, these, from the maxima ``rows``.

    They stand out nearly as much as the whole and clear of each other, if at a narrower width. Only
    the ``most`` strongest are asked for that.
    """
    large = np.flatnonzero(stars[:most, 2] > _LEAST_GROUP_PX)
    star, part = within(rows[:, :2], stars[large, :2], _GROUP * stars[large, 2])
    star = large[star]
    # Over white noise, for how rough the sky is at each width makes no two stars of a ring.
    (wide, whole), (width, light) = stars[star][:, [2, 4]].T, rows[part][:, [2, 4]].T
    alone = (width < 0.8 * wide) & (light > _LEAST_ALONE * whole)
    star, part = star[alone], part[alone]
    gone, found = [], []
    for k in np.flatnonzero(np.bincount(star) > 1):
        parts = rows[part[slice(*np.searchsorted(star, (k, k + 1)))]]
        for one in sorted({*parts[:, 2]}, reverse=True):
            group = parts[parts[:, 2] == one]
            bright = len(group) > 1 and group[:, 4].max() > _ALONE * stars[k, 4]
            if bright and pdist(group[:, :2]).min() > _CLEAR * one:
                gone.append(k)
                found.append(group)
                break
    if not gone:
        return stars
    return _one_each(np.concatenate([np.delete(stars, gone, axis=0), *found]))


def within(
    among: np.ndarray, places: np.ndarray, reach: np.ndarray | float, *, p: float = 2.0
) -> tuple[np.ndarray, np.ndarray]:
    """(n,) indices of (k, 2) places, ascending, and of what lies within reach of them."""
    far = np.broadcast_to(reach, len(places))
    near = cKDTree(among).query_ball_point(places, far, p=p, return_sorted=False)
    place = np.repeat(np.arange(len(places)), [len(one) for one in near])
    return place, np.fromiter(chain.from_iterable(near), int, len(place))


def _one_each(rows: np.ndarray) -> np.ndarray:
    """Leave one maximum a star: the strongest."""
    rows = rows[np.argsort(-rows[:, 3], kind="stable")]
    own, other = within(rows[:, :2], rows[:, :2], _BELONGS * rows[:, 2])
    pairs = np.sort([own, other], axis=0)[:, (own != other) & (rows[other, 2] <= rows[own, 2])]
    alive = np.ones(len(rows), bool).tolist()
    for strong, weak in pairs[:, np.argsort(pairs[0])].T.tolist():
        # By then it is known whether the stronger one lives.
        alive[weak] &= not alive[strong]
    return rows[alive]


def _cover(binned: np.ndarray, factor: int, peaks: Peaks) -> np.ndarray:
    """The image with NaN about each peak."""
    x, y = ((place + 0.5) / factor - 0.5 for place in (peaks.x, peaks.y))
    reach = _COVERED * peaks.width / factor
    hidden = np.zeros(binned.shape, np.uint8)
    sep.mask_ellipse(hidden, x, y, reach, reach, np.zeros(len(peaks)), r=1.0)
    return np.where(hidden > 0, np.float32(np.nan), binned)
