"""Which stars are not to be trusted: burnt out, blended, at the edge, not like the others."""

import numpy as np
from scipy.spatial import cKDTree

from .flags import StarFlag
from .law import RADII, Law
from .measured import Stars
from .patches import Patches

#: Stars with more of their neighbours' light than this are set aside.
FOREIGN = 0.05
_MISSING = 0.15
_NEAR_CEILING = 0.98
#: So many pixels at exactly the highest value are no chance.
_CEILING_PIXELS = 4
#: A star gives the same light in two images to this factor, but for what dims all of them.
_SAME_SHARE = 1.25
#: The light of a star changes by less than this factor from frame to frame of a sweep.
SAME_LIGHT = 2.0
_NO_SHARE = StarFlag.SATURATED | StarFlag.MASKED | StarFlag.UNMEASURED


def ceiling_of(image: np.ndarray) -> float:
    """Level from which a pixel counts as burnt out, from the image's own highest values.

    Infinite unless several pixels share the highest value and few come just below it, as the
    summit of a star has them.
    """
    tops = np.fmax.reduce(image, axis=1)
    top = float(np.fmax.reduce(tops))
    if not (np.isfinite(top) and top > 0):
        return np.inf
    rows = image[tops > 0.97 * top]
    values = rows[rows > 0.97 * top]
    full = int(np.count_nonzero(values == top))
    # A summit of a smooth star has as many pixels in each equal step of its light.
    return _NEAR_CEILING * top if full >= max(_CEILING_PIXELS, 0.4 * len(values)) else np.inf


def pixel_flags(
    patches: Patches, seen: np.ndarray, law: Law, *, shape: tuple[int, ...], ceiling: np.ndarray
) -> np.ndarray:
    """Flags of stars of half-flux radius ``seen`` px: at the edge, bad pixels, at the ceiling."""
    reach = float(np.interp(0.9, law.share, RADII)) * seen
    core = np.maximum(1.2 * seen, 1.5)
    pixels, read, place = patches.middle(max(reach.max(), core.max()))
    distance = np.abs(place)
    inside = distance <= np.minimum(reach, patches.half)[:, None, None]
    unread = (inside & ~read).sum(axis=(1, 2)) / np.maximum(inside.sum(axis=(1, 2)), 1)
    flags = np.where(unread > _MISSING, int(StarFlag.MASKED), 0)
    x, y = patches.x + patches.left, patches.y + patches.top
    beyond = np.minimum.reduce([x, y, shape[1] - 1 - x, shape[0] - 1 - y]) + 0.5 < reach
    flags[beyond] |= int(StarFlag.EDGE)
    full = read & (distance <= core[:, None, None]) & (pixels >= ceiling[:, None, None])
    flags[full.any(axis=(1, 2))] |= int(StarFlag.SATURATED)
    return flags


def foreign_share(
    x: np.ndarray, y: np.ndarray, light: np.ndarray, *, half_px: float, law: Law
) -> np.ndarray:
    """Share of the light in each star's aperture that is its neighbours'.

    A neighbour's light in a circle that its distance puts it in: what its growth curve holds
    between the nearest and the farthest point, on the arc that the circle covers.
    """
    aperture = float(np.interp(0.93, law.share, RADII)) * half_px
    places = np.stack([x, y], 1)
    pairs = cKDTree(places).query_pairs(3 * aperture, output_type="ndarray")
    share = np.zeros(len(x))
    if len(pairs) == 0:
        return share
    a, b = np.concatenate([pairs, pairs[:, ::-1]]).T
    gap = np.hypot(*(places[a] - places[b]).T)
    near, far = np.abs(gap - aperture) / half_px, (gap + aperture) / half_px
    arc = np.arcsin(np.minimum(1, aperture / np.maximum(gap, aperture))) / np.pi
    inside = np.where(gap < aperture, law.inside(near), 0.0)
    caught = inside + (law.inside(far) - law.inside(near)) * arc
    np.add.at(share, a, caught * np.maximum(light[b], 0) / np.maximum(light[a], 1e-9))
    return share


def other_light(stars: Stars, known_adu: np.ndarray) -> np.ndarray:
    """Which stars give other light than they are known to: sky left over, a knot, a neighbour.

    Cloud dims all by one share, that on which most agree, each as far as its noise lets it.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        log, near = np.log(stars.flux / known_adu), np.log(_SAME_SHARE) + 2 / stars.snr
    votes = (log < np.log(SAME_LIGHT)) & (stars.flags & _NO_SHARE == 0)
    agree = np.abs(log[:, None] - log[votes]) < near[:, None]
    weight = np.minimum(stars.snr, 10.0)
    told = np.nan_to_num(weight[votes]) @ agree[votes]
    return ~agree[:, np.argmax(told)] if votes.any() else np.ones(len(log), bool)
