"""Square patches about stars: pixels less sky, which to trust, light inside circles."""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import sep
from scipy.interpolate import make_interp_spline

from .detect import Peaks, within

#: Small stars are read on a grid so much finer, out to so many pixels.
FINER, _FINE_PX = 3, 6.0
#: Steps of growth curves, to a pixel of the grid they are read on; an even number.
_STEPS = 8
#: Fewest pixels that tell the level of the sky about a star.
_FEWEST = 40
#: Where there is no ring, so many of the pixels tell it, the farthest ones.
_FARTHEST = 0.12
_CLIP, _SAMPLE = 6.0, 400
#: The window for centres; too narrow a one sees the pixels.
_LEAST_WINDOW_PX = 0.8

#: (k,) radii and (n, k) light inside circles of these.
Grown = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Patches about ``n`` stars, each ``2 half + 1`` pixels wide, less the sky map.

    ``read`` (n, s, s) is False where the image has no reading, ``trusted`` also under neighbours;
    ``pixels`` not to be trusted hold what lies opposite the star's centre. ``x``, ``y`` are centres
    in patch pixels, ``left``, ``top`` the image pixel of the patch's first one, ``fine`` the middle
    of each patch on pixels ``FINER`` times finer.
    """

    pixels: np.ndarray
    trusted: np.ndarray
    read: np.ndarray
    x: np.ndarray
    y: np.ndarray
    left: np.ndarray
    top: np.ndarray
    fine: np.ndarray | None = None

    @property
    def half(self) -> int:
        """Pixels from the middle one to the edge."""
        return self.pixels.shape[1] // 2

    def middle(self, reach_px: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Light of the pixels so near to the stars, whether read, and where from it, x + iy."""
        rows, dx, dy = _around(self.half, self.x, self.y, reach_px)
        crop = np.s_[:, rows, rows]
        return self.pixels[crop], self.read[crop], dx[:, None, :] + 1j * dy[:, :, None]

    def growth(self, limit_px: float) -> Grown:
        """(k,) radii in small steps up to a limit, pixels, and (n, k) light inside each."""
        grown = _inside(self.pixels, self.x, self.y, limit_px)
        if self.fine is None:
            return grown
        # The middle on a finer grid, where small circles hardly feel where the pixels lie.
        middle = self.fine.shape[1] // 2
        x, y = ((c - self.half) * FINER + middle for c in (self.x, self.y))
        radii, light = _inside(self.fine, x, y, min(limit_px, _FINE_PX) * FINER)
        beyond = grown[0] > radii[-1] / FINER
        return np.r_[radii / FINER, grown[0][beyond]], np.hstack([light, grown[1][:, beyond]])

    def refined(self) -> "Patches":
        """The same with the middle of each patch on a finer grid, by quintic splines."""
        far = min(self.half, int(_FINE_PX) + 5)
        middle = slice(self.half - far, self.half + far + 1)
        spline = _refining(2 * far + 1)
        fine = spline @ self.pixels[:, middle, middle] @ spline.T / FINER**2
        return replace(self, fine=np.ascontiguousarray(fine, np.float32))


def _around(
    half: int, x: np.ndarray, y: np.ndarray, reach: float
) -> tuple[slice, np.ndarray, np.ndarray]:
    """Rows (and columns) that hold all within reach of the centres, and how far off these are."""
    astray = max(np.abs(c - half).max(initial=0.0) for c in (x, y))
    far = int(min(half, reach + astray + 1))
    grid = np.arange(half - far, half + far + 1)
    dx, dy = ((grid - c[:, None]).astype(np.float32) for c in (x, y))
    return slice(half - far, half + far + 1), dx, dy


def _inside(pixels: np.ndarray, x: np.ndarray, y: np.ndarray, limit: float) -> Grown:
    """Radii up to a limit and the light inside circles, each pixel as far as it is covered.

    A circle of radius r covers r - d + 1/2, between none and all, of a pixel at distance d, which
    is right to second order over all directions; for its width across d^2 is 1/12 more. As ramps
    these are A(r + 1/2) - A(r - 1/2), where A(t) sums (t - d) times the light nearer than t.
    """
    rows, dx, dy = _around(pixels.shape[1] // 2, x, y, limit + 1)
    squares = (dy**2)[:, :, None] + (dx**2)[:, None, :]
    light, distance = pixels[:, rows, rows], np.sqrt(squares + np.float32(1 / 12))
    half, last = _STEPS // 2, int(limit * _STEPS)
    bins = last + half
    place = np.minimum((distance * np.float32(_STEPS)).astype(np.intp), bins)
    place += np.arange(len(light))[:, None, None] * (bins + 1)

    def nearer_than(weights: np.ndarray) -> np.ndarray:
        counts = np.bincount(place.ravel(), weights.ravel(), len(light) * (bins + 1))
        return np.cumsum(counts.reshape(len(light), bins + 1)[:, :-1], axis=1)

    ramp = np.zeros((len(light), half + bins + 1))
    edges = np.arange(1, bins + 1) / _STEPS
    ramp[:, half + 1 :] = edges * nearer_than(light) - nearer_than(light * distance)
    inside = ramp[:, 2 * half :] - ramp[:, : last + 1]
    inside[:, 0] = 0.0
    return np.arange(last + 1) / _STEPS, inside


@lru_cache(maxsize=4)
def _refining(n: int) -> np.ndarray:
    """Matrix that interpolates ``n`` pixels at ``FINER`` places in each, by quintic splines."""
    fine = (np.arange((n - 1) * FINER + 1) / FINER).astype(float)
    return make_interp_spline(np.arange(n), np.eye(n), k=5)(fine).astype(np.float32)


def read_patches(
    level: np.ndarray, sky: np.ndarray, peaks: Peaks, chosen: np.ndarray, *, half: int
) -> Patches:
    """Cut patches about the chosen peaks from an image; places are in its pixels.

    The (n, 3) ``sky`` is the level at each peak and its rise a pixel along y and x.
    """
    x, y = peaks.x[chosen], peaks.y[chosen]
    left, top = (np.rint(c).astype(int) - half for c in (x, y))
    size = 2 * half + 1
    pixels = np.full((len(chosen), size, size), np.float32(np.nan))
    first, last = (np.clip(np.stack([top, left], 1) + n, 0, level.shape) for n in (0, size))
    for patch, (y0, x0), (y1, x1), up, aside in zip(pixels, first, last, top, left, strict=True):
        patch[y0 - up : y1 - up, x0 - aside : x1 - aside] = level[y0:y1, x0:x1]
    at_star, down, right = sky[chosen].T[:, :, None]
    grid = np.arange(size)
    pixels -= (at_star + down * ((top - y)[:, None] + grid)).astype(np.float32)[:, :, None]
    pixels -= (right * ((left - x)[:, None] + grid)).astype(np.float32)[:, None, :]
    read = np.isfinite(pixels)
    trusted = read.copy()
    _leave_out_neighbours(trusted, peaks, chosen, left, top)
    some = ~trusted.all(axis=(1, 2))
    seen, good = pixels[some], trusted[some]
    opposite = np.where(good[:, ::-1, ::-1], seen[:, ::-1, ::-1], np.nan_to_num(seen))
    pixels[some] = np.where(good, seen, opposite)
    return Patches(pixels, trusted, read, x - left, y - top, left, top)


def _leave_out_neighbours(
    trusted: np.ndarray, peaks: Peaks, chosen: np.ndarray, left: np.ndarray, top: np.ndarray
) -> None:
    """Mark what lies nearer to a neighbour than to the star, each in its own widths."""
    grid = np.arange(trusted.shape[1])
    # Light falls off so that a star ten thousand times brighter reaches ten times as far.
    reach = peaks.width * np.clip(2 * (peaks.snr / 10) ** 0.25, 2.0, 8.0)
    places = np.stack([peaks.x, peaks.y], 1)
    room = 0.5 * len(grid) + 1
    star, other = within(places, places[chosen], room + np.max(reach), p=np.inf)
    off = np.abs(places[other] - places[chosen[star]]).max(axis=1)
    beside = (off < room + reach[other]) & (other != chosen[star])
    star, other = star[beside], other[beside]
    own = chosen[star]
    share = ((peaks.width[other] / peaks.width[own]) ** 2)[:, None]
    (dx, own_dx), (dy, own_dy) = (
        [(first[star, None] + grid - c[some, None]) ** 2 for some in (other, own)]
        for first, c in ((left, peaks.x), (top, peaks.y))
    )
    columns = np.stack([dx - share * own_dx, dx], 1).astype(np.float32)[:, :, None]
    rows = np.stack([dy - share * own_dy, dy - reach[other, None] ** 2], 1).astype(np.float32)
    for k, across, down in zip(star, columns, rows[:, :, :, None], strict=True):
        trusted[k] &= (down + across >= 0).any(axis=0)


def centred(patches: Patches, half_flux_px: np.ndarray) -> Patches:
    """Patches with centres moved to the middle of the light, through a Gaussian window.

    The window is as wide as the star (Bertin & Arnouts' windowed positions, SExtractor manual).
    A centre that strays by more than the star's own radius stays where it was.
    """
    n, size = len(patches.x), patches.pixels.shape[1]
    tower, floors = patches.pixels.reshape(n * size, size), size * np.arange(n)
    sigma = np.maximum(0.85 * half_flux_px, _LEAST_WINDOW_PX)
    x, y, _ = sep.winpos(tower, patches.x, patches.y + floors, sigma, subpix=1)
    y -= floors
    good = np.hypot(x - patches.x, y - patches.y) < 1.0 * half_flux_px + 0.5
    good &= np.maximum(np.abs(x - patches.half), np.abs(y - patches.half)) < patches.half / 2
    return replace(patches, x=np.where(good, x, patches.x), y=np.where(good, y, patches.y))


@dataclass(frozen=True, slots=True, eq=False)
class Rings:
    """The sky about each star beyond the sky map: clipped mean of ``count`` pixels of a ring."""

    level: np.ndarray
    count: np.ndarray
    inner: np.ndarray
    outer: np.ndarray


def sky_rings(patches: Patches, inner_px: float, outer_px: float, noise: float) -> Rings:
    """Level of the sky in a ring about each star, or as far out as there are pixels to tell it."""
    n = len(patches.x)
    offset = np.arange(-patches.half, patches.half + 1)
    distance = np.hypot(offset[:, None], offset)
    rows, columns = np.nonzero((distance > inner_px) & (distance <= outer_px))
    values = patches.pixels[:, rows, columns]
    values[~patches.trusted[:, rows, columns]] = np.nan
    level, count = _clipped_mean(values, noise)
    inner, outer = np.full(n, inner_px), np.full(n, outer_px)
    for k in np.flatnonzero(count < max(_FEWEST, 0.12 * len(rows))):
        trusted = patches.trusted[k]
        wanted = _FARTHEST * trusted.sum()
        if wanted < _FEWEST / 4:
            level[k], count[k] = 0.0, 0
            continue
        far = np.sort(distance[trusted])[-int(wanted) :]
        chosen = patches.pixels[k][trusted & (distance >= far[0])]
        level[k], count[k] = (v[0] for v in _clipped_mean(chosen[None], noise))
        inner[k], outer[k] = far[0], np.sqrt(2 * np.mean(far**2) - far[0] ** 2)
    return Rings(level, count, inner, outer)


def _clipped_mean(values: np.ndarray, noise: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean of each row within so many scatters of its median, and the number of values."""
    sample = np.sort(values[:, :: max(1, values.shape[1] // _SAMPLE)], axis=1)  # NaN last
    last = np.maximum(np.isfinite(sample).sum(axis=1) - 1, 0)
    rows = np.arange(len(sample))
    low, middle = (sample[rows, (q * last).astype(int)] for q in (0.1587, 0.5))
    # Stars only add light, so the scatter is taken from below.
    reach = _CLIP * np.maximum(middle - low, noise)
    kept = np.abs(values - middle[:, None]) <= reach[:, None]
    count = kept.sum(axis=1)
    return np.where(kept, values, 0).sum(axis=1) / np.maximum(count, 1), count
