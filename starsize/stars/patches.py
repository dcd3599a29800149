"""What the pixels about each star say: centre, light inside circles, sky in a ring, defects."""

from dataclasses import dataclass

import numpy as np

from .centre import free_of_pixels, window_centres, window_elongation
from .cutouts import cut_out
from .flags import StarFlag
from .neighbours import Neighbours, fill_from_opposite, mark_neighbours
from .rings import aperture_sums

#: Radii over the typical half-flux radius: dense where half of the light is crossed.
_CORE_STEPS = (0.2, 0.35, 0.5, 0.62, 0.74, 0.84, 0.92, 1.0, 1.08, 1.16, 1.28, 1.45, 1.7, 2.0, 2.5)
_WING_STEPS = (3.2, 4.0, 5.0, 6.5, 8.5)
_RING = (3.2, 4.5)
#: In a small image circles stay within its shorter side, and the ring within its corners.
_ROOM = (0.49, 0.69)
#: Seeing wings reach at least this far even from a sharp star, pixels.
_LEAST_REACH_PX = 16
_BATCH_PIXELS = 1_500_000
#: The light that must be there to be measured lies within so many half-flux radii.
_EDGE = 1.6
_SPOILT_SHARE = 0.05
_CLIP = 3.5


@dataclass(frozen=True, slots=True, eq=False)
class Patches:
    """Raw measurements of many stars; all arrays have one entry (or row) a star.

    Attributes
    ----------
    x, y : centre, pixels
    centred : bool, False where the given place was kept
    radii : (k,) radii of the circles, pixels
    ring_px : inner and outer radius of the sky ring, pixels
    guess_px : typical half-flux radius the circles were made for, pixels
    sums : (n, k) flux inside them, the sky of the frame's map taken off
    sky : level of that map, ADU
    ring : what is left of the sky in a ring about the star, ADU a pixel
    ring_sigma : its uncertainty
    noise : noise of a pixel of sky, ADU
    elongation, flags
    """

    x: np.ndarray
    y: np.ndarray
    centred: np.ndarray
    radii: np.ndarray
    ring_px: tuple[float, float]
    guess_px: float
    sums: np.ndarray
    sky: np.ndarray
    ring: np.ndarray
    ring_sigma: np.ndarray
    noise: np.ndarray
    elongation: np.ndarray
    flags: np.ndarray


def circles(guess_px: float, shape: tuple[int, ...]) -> np.ndarray:
    """Radii at which the light is summed, for stars of about this half-flux radius."""
    reach = min(reach_px(guess_px, shape), _ROOM[0] * min(shape))
    steps = np.array(_CORE_STEPS + _WING_STEPS) * guess_px
    return steps[(steps <= reach) | (steps <= 1.2 * guess_px)]


def reach_px(guess_px: float, shape: tuple[int, ...]) -> float:
    """How far out the light and the sky of a star are looked at."""
    wanted = max(_RING[1] * guess_px, min(_LEAST_REACH_PX, 10 * guess_px))
    return max(min(wanted, _ROOM[1] * min(shape)), 1.2 * guess_px + 2)


def sky_ring(guess_px: float, shape: tuple[int, ...]) -> tuple[float, float]:
    """Inner and outer radius of the sky ring, pixels; in a small image, its corners."""
    outer = reach_px(guess_px, shape)
    inner = max(_RING[0] * guess_px, outer - max(8.0, (_RING[1] - _RING[0]) * guess_px))
    return min(inner, _ROOM[0] * min(shape), 0.9 * outer), outer


def read_patches(
    image: np.ndarray,
    places: np.ndarray,
    *,
    guess_px: float,
    sky: np.ndarray | None,
    noise: float | None,
    ceiling: float,
    neighbours: Neighbours | None,
    recentre: bool,
) -> Patches:
    """Look at the pixels about each place, in batches that fit the processor's cache.

    Parameters
    ----------
    image : (ny, nx) array
        ADU; NaN where unusable.
    places : (n, 2) array
        ``(x, y)``, pixels.
    guess_px : float
        Typical half-flux radius.
    sky : (n,) array or None
        Level of a sky map at each star; None takes it from the ring about the star.
    noise : float or None
        Noise of a pixel of sky; None takes it from the ring.
    ceiling : float
        Pixels from here on are saturated.
    neighbours : Neighbours or None
        Cut away, or the star is flagged as blended. The stars themselves may be among them.
    recentre : bool
        False keeps the given places.
    """
    half = int(np.ceil(reach_px(guess_px, image.shape))) + 2
    radii = circles(guess_px, image.shape)
    ring_px = sky_ring(guess_px, image.shape)
    batch = max(1, _BATCH_PIXELS // (2 * half + 1) ** 2)
    parts = []
    for first in range(0, max(len(places), 1), batch):
        some = slice(first, first + batch)
        level = None if sky is None else sky[some]
        parts.append(
            _read_batch(
                image,
                places[some],
                half,
                radii,
                ring_px,
                guess_px,
                level,
                noise,
                ceiling,
                neighbours,
                recentre,
            )
        )
    x, y, centred, sums, level, ring, ring_sigma, pixel, elongation, flags = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    return Patches(
        x=x,
        y=y,
        centred=centred,
        radii=radii,
        ring_px=ring_px,
        guess_px=guess_px,
        sums=sums,
        sky=level,
        ring=ring,
        ring_sigma=ring_sigma,
        noise=pixel,
        elongation=elongation,
        flags=flags,
    )


def _read_batch(
    image: np.ndarray,
    places: np.ndarray,
    half: int,
    radii: np.ndarray,
    ring_px: tuple[float, float],
    guess: float,
    sky: np.ndarray | None,
    noise: float | None,
    ceiling: float,
    neighbours: Neighbours | None,
    recentre: bool,
) -> tuple[np.ndarray, ...]:
    whole = np.rint(places).astype(int)
    offset = places - whole
    cut = cut_out(image, whole[:, 0], whole[:, 1], half)
    index = _ring_index(half, ring_px)
    if sky is None:
        sky = np.nan_to_num(_middle(cut.reshape(len(cut), -1)[:, index])[0])
    cut -= sky.astype(np.float32)[:, None, None]
    centred = np.zeros(len(places), bool)
    if recentre:
        x, y = window_centres(np.nan_to_num(cut), offset[:, 0], offset[:, 1], max(guess, 0.8))
        x, y = free_of_pixels(x, guess), free_of_pixels(y, guess)
        centred = np.isfinite(x) & np.isfinite(y)
        offset = np.where(centred[:, None], np.stack([x, y], 1), offset)
        moved = np.rint(offset).astype(int)
        if moved.any():
            whole, offset = whole + moved, offset - moved
            cut = cut_out(image, whole[:, 0], whole[:, 1], half)
            cut -= sky.astype(np.float32)[:, None, None]
    flags = np.zeros(len(places), int)
    near = _disc(half, offset, _EDGE * guess + 0.5)
    # Taking the sky off in single precision may move a pixel off the ceiling by its rounding.
    full = cut >= (ceiling * (1 - 1e-5) - sky)[:, None, None]
    flags[(full & near).any(axis=(1, 2))] |= StarFlag.SATURATED
    spoilt = ~np.isfinite(cut)
    flags[(spoilt & near).sum(axis=(1, 2)) > _SPOILT_SHARE * near.sum(axis=(1, 2))] |= (
        StarFlag.MASKED
    )
    flags[_beyond(image.shape, whole + offset, _EDGE * guess)] |= StarFlag.EDGE
    if neighbours is not None:
        flags[mark_neighbours(spoilt, whole, offset, half, guess, neighbours)] |= StarFlag.BLENDED
    ring, spread, count = _middle(np.where(spoilt, np.nan, cut).reshape(len(cut), -1)[:, index])
    fill_from_opposite(cut, spoilt, offset)
    pixel = spread if noise is None else np.full(len(cut), noise)
    sums = aperture_sums(cut, offset[:, 0], offset[:, 1], radii)
    elongation = window_elongation(cut, offset[:, 0], offset[:, 1], max(1.5 * guess, 1.0))
    ring_sigma = pixel / np.sqrt(np.maximum(count, 1))
    ring_sigma = np.where(count >= 8, ring_sigma, np.inf)
    place = whole + offset
    return (
        place[:, 0], place[:, 1], centred, sums, sky, np.nan_to_num(ring), ring_sigma, pixel,
        elongation, flags,
    )  # fmt: skip


def _ring_index(half: int, ring_px: tuple[float, float]) -> np.ndarray:
    """Flat indices of the pixels of the sky ring."""
    steps = np.arange(-half, half + 1)
    distance = np.hypot(*np.meshgrid(steps, steps)).ravel()
    return np.flatnonzero((distance >= ring_px[0]) & (distance <= ring_px[1]))


def _middle(values: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Clipped mean, spread and count of each row; NaN is not there.

    The mean and not the median: it is what the wings of a star add on average.
    """
    ordered = np.sort(values, axis=1)
    count = np.isfinite(ordered).sum(axis=1)
    rows, last = np.arange(len(ordered)), np.maximum(count - 1, 0)
    middle = ordered[rows, last // 2]
    # Stars only add light: the spread below the median is that of the sky.
    spread = middle - ordered[rows, (0.1587 * last).astype(int)]
    inside = np.abs(ordered - middle[:, None]) <= _CLIP * spread[:, None]
    kept = np.maximum(inside.sum(axis=1), 1)
    mean = np.where(inside, ordered, 0.0).sum(axis=1) / kept
    return np.where(count > 0, mean, np.nan), spread, np.where(count > 0, kept, 0)


def _disc(half: int, offset: np.ndarray, radius: float) -> np.ndarray:
    """(n, w, w) True within ``radius`` of each star."""
    steps = np.arange(-half, half + 1)
    x2 = (steps - offset[:, :1]) ** 2
    y2 = (steps - offset[:, 1:]) ** 2
    return x2[:, None, :] + y2[:, :, None] <= radius**2


def _beyond(shape: tuple[int, ...], place: np.ndarray, reach: float) -> np.ndarray:
    """True where a circle about the place leaves the frame."""
    size = np.array([shape[1], shape[0]]) - 1
    out = (place - reach < -0.5) | (place + reach > size + 0.5)
    return np.asarray(out.any(axis=1))
