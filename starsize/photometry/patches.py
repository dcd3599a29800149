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
    """Patches about ``n`` stars, each ``2 half + 1`` pixels wide, less the plane of the sky map.

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
        radii, light = _inside(self.pixels, self.x, self.y, limit_px)
        if self.fine is None:
            return radii, light
        # The middle on a finer grid, where small circles hardly feel where the pixels lie.
        far = self.fine.shape[1] // 2
        x, y = ((c - self.half) * FINER + far for c in (self.x, self.y))
        near, middle = _inside(self.fine, x, y, min(limit_px, _FINE_PX) * FINER)
        beyond = radii > near[-1] / FINER
        return np.r_[near / FINER, radii[beyond]], np.hstack([middle, light[:, beyond]])

    def refined(self) -> "Patches":
        """The same with the middle of each patch on a finer grid, by quintic splines."""
        far = min(self.half, int(_FINE_PX) + 5)
        middle = slice(self.half - far, self.half + far + 1)
        spline = _refining(2 * far + 1)
        fine = spline @ self.pixels[:, middle, middle] @ spline.T / FINER**2
        return replace(self, fine=np.ascontiguousarray(fine, np.float32))

    def centred(self, half_flux_px: float) -> "Patches":
        """The same with centres moved to the middle of the light, through a Gaussian window.

        The window is as wide as the star (Bertin & Arnouts' windowed positions, SExtractor manual).
        A centre that strays by more than the star's own radius stays where it was.
        """
        n, size = self.pixels.shape[:2]
        tower, floors = self.pixels.reshape(n * size, size), size * np.arange(n)
        sigma = max(0.85 * half_flux_px, _LEAST_WINDOW_PX)
        x, y, _ = sep.winpos(tower, self.x, self.y + floors, sigma, subpix=1)
        y -= floors
        good = np.hypot(x - self.x, y - self.y) < half_flux_px + 0.5
        good &= np.maximum(np.abs(x - self.half), np.abs(y - self.half)) < self.half / 2
        return replace(self, x=np.where(good, x, self.x), y=np.where(good, y, self.y))


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
    image: np.ndarray, planes: np.ndarray, peaks: Peaks, chosen: np.ndarray, *, half: int
) -> Patches:
    """Cut patches about the chosen peaks from an image; places are in its pixels.

    The (n, 3) ``planes`` are the sky's level at each and its rise a pixel along y and x: near the
    rim and beside neighbours half a star tells, and with it the slope of its sky.
    """
    x, y = peaks.x[chosen], peaks.y[chosen]
    left, top = (np.rint(c).astype(int) - half for c in (x, y))
    size = 2 * half + 1
    pixels = np.full((len(chosen), size, size), np.float32(np.nan))
    for patch, y0, x0 in zip(pixels, top.tolist(), left.tolist(), strict=True):
        seen = image[max(y0, 0) : max(y0 + size, 0), max(x0, 0) : max(x0 + size, 0)]
        down, right = max(-y0, 0), max(-x0, 0)
        patch[down : down + seen.shape[0], right : right + seen.shape[1]] = seen
    level, down, right = planes.T[:, :, None]
    grid = np.arange(size)
    pixels -= (level + down * ((top - y)[:, None] + grid)).astype(np.float32)[:, :, None]
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
    columns = (c.astype(np.float32) for c in (share * own_dx - dx, reach[other, None] ** 2 - dx))
    rows = (c.astype(np.float32)[:, :, None] for c in (dy - share * own_dy, dy))
    for k, nearer, near, down, far in zip(star, *columns, *rows, strict=True):
        trusted[k] &= (down >= nearer) | (far >= near)


def sky_rings(
    patches: Patches, inner_px: float, outer_px: float, noise: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Level of the sky beyond the map about each star, from how many pixels, and their ring.

    A clipped mean; where the ring has too few pixels, of those farthest out that can tell it.
    """
    n = len(patches.x)
    offset = np.arange(-patches.half, patches.half + 1)
    distance = np.hypot(offset[:, None], offset)
    ring = (distance > inner_px) & (distance <= outer_px)
    values = np.where(patches.trusted[:, ring], patches.pixels[:, ring], np.float32(np.nan))
    level, count = _clipped_mean(values, noise)
    inner, outer = np.full(n, inner_px), np.full(n, outer_px)
    for k in np.flatnonzero(count < max(_FEWEST, 0.12 * ring.sum())):
        trusted = patches.trusted[k]
        wanted = int(_FARTHEST * trusted.sum())
        level[k], count[k] = 0.0, 0
        if wanted >= _FEWEST / 4:
            far = np.sort(distance[trusted])[-wanted:]
            chosen = patches.pixels[k, trusted & (distance >= far[0])]
            level[k], count[k] = np.ravel(_clipped_mean(chosen[None], noise))
            inner[k], outer[k] = far[0], np.sqrt(2 * np.mean(far**2) - far[0] ** 2)
    return level, count, inner, outer


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
