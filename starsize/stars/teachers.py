"""Which stars teach the growth curve of a frame, and the light they hand to it."""

from typing import Final

import numpy as np

from .bank_fit import Light
from .flags import StarFlag
from .neighbours import Neighbours, is_itself
from .patches import Patches
from .star_lists import nearest, weighted_median
from .wings import Wings, find_wings

#: So many teach where there are more, and these are bright.
TEACHERS: Final = 150
#: As many of the brightest, above this signal-to-noise ratio, tell how far the light reaches as
#: together know as much as so many perfect ones; a star of the last ratio knows half of that.
_FAR_RATIO, _FAR_STARS, _HALF_RATIO = 7.0, 20.0, 50.0
_LEAST_FAR, _MOST_FAR = 6, 100
#: A rest of sky that is known no better than to this share of a star's light is taken off in part.
_SURE_SKY = 0.005
#: Nearer than this a star's light needs the exact areas of pixels.
_FIRST_PX = 3.0
#: Stars needed before they are compared with each other.
CROWD: Final = 8
#: Light beyond this many times its uncertainty is foreign; so much the growth of stars may differ.
_FOREIGN, _GROWTH_SCATTER = 5.0, 0.02


def foreign_light(patches: Patches, inverse_gain: float) -> np.ndarray:
    """Flag stars in whose outskirts shines what is not theirs: a trail, an unlisted neighbour.

    Judged by how much the light grows from two half-flux radii to the outermost circle, against
    the other stars and the star's own noise.
    """
    none = np.zeros(len(patches.x), int)
    if len(none) < CROWD:
        return none
    area = np.pi * patches.radii**2
    k0 = int(np.argmin(np.abs(patches.radii - 2.0 * patches.guess_px)))
    known = np.isfinite(patches.ring_sigma)
    ring_sigma = np.where(known, patches.ring_sigma, 0.0)
    light = patches.sums - np.where(known, patches.ring, 0.0)[:, None] * area
    inner, outer = light[:, k0], light[:, -1]
    variance = patches.noise**2 * area[-1] + (ring_sigma * area[-1]) ** 2
    variance = variance + inverse_gain * np.maximum(outer, 0.0)
    strength = np.clip(inner / np.sqrt(np.maximum(variance, 1e-30)), 0.0, 50.0)
    sure = (patches.flags == 0) & np.isfinite(strength) & (strength > 1.0)
    if sure.sum() < CROWD // 2:
        return none
    usual = weighted_median(outer[sure] / inner[sure], strength[sure])
    expected = usual * inner
    allowed = _FOREIGN * np.sqrt(variance + (_GROWTH_SCATTER * expected) ** 2)
    return np.where(np.abs(outer - expected) > allowed, int(StarFlag.BLENDED), 0)


def wings_of_teachers(
    image: np.ndarray,
    patches: Patches,
    neighbours: Neighbours | None,
    *,
    inverse_gain: float,
    sky_tie: float,
) -> Wings | None:
    """What the brightest stars tell of the light far out, all that shines near them allowed for.

    Parameters
    ----------
    image : (ny, nx) array
        That of the patches.
    patches : Patches
    neighbours : Neighbours or None
        What shines, the stars themselves among it or not.
    inverse_gain : float
        ADU per electron, 0 where unknown.
    sky_tie : float
        Light of a star, as a share of it per pixel, that its sky may have taken up: 0 where the sky
        is certain, infinite where that is not known.

    Returns
    -------
    Wings or None
        None where too few stars are bright enough.
    """
    k0, flux, ratio, _ = _brightness(patches, inverse_gain)
    good = np.isfinite(ratio) & (ratio > _FAR_RATIO) & (patches.flags == 0)
    if good.sum() < _LEAST_FAR:
        return None
    order = np.argsort(np.where(good, ratio, -np.inf))[::-1][: min(int(good.sum()), _MOST_FAR)]
    known = np.cumsum(1 / (1 + (_HALF_RATIO / ratio[order]) ** 2))
    teachers = order[: int(np.searchsorted(known, _FAR_STARS)) + 1]
    area = np.pi * patches.radii[k0] ** 2
    level, unsure = (0.0, 0.0) if sky_tie == 0 else _sky_of_rings(patches, flux)
    doubt = unsure * area / (_SURE_SKY * float(np.median(flux[teachers])))
    level = level / (1 + doubt**2) if np.isfinite(doubt) else 0.0
    core = patches.sums[:, k0] - level * area
    places, core = _all_that_shines(patches, core, good, neighbours)
    lit = np.isfinite(places).all(axis=1) & (core > 0)
    first = max(1.69 * patches.guess_px, _FIRST_PX)
    return find_wings(
        image,
        places[lit],
        core[lit],
        teachers=(np.cumsum(lit) - 1)[teachers],
        sky=patches.sky[teachers],
        size_px=patches.guess_px,
        first_px=float(patches.radii[patches.radii >= first].min()),
        noise=float(np.median(patches.noise[teachers])),
        inverse_gain=inverse_gain,
        sky_tie=sky_tie,
    )


def _all_that_shines(
    patches: Patches, core: np.ndarray, good: np.ndarray, neighbours: Neighbours | None
) -> tuple[np.ndarray, np.ndarray]:
    """Places and light of the stars, and after them of their neighbours in the same unit."""
    places = np.stack([patches.x, patches.y], 1)
    known = np.flatnonzero(np.isfinite(places).all(axis=1))
    if neighbours is None or len(neighbours.places) == 0 or len(known) == 0:
        return places, core
    gap, closest = nearest(places[known], neighbours.places)
    same, twin = is_itself(gap, patches.guess_px), known[closest]
    sure = same & good[twin] & (neighbours.brightness > 0)
    if not sure.any():
        return places, core
    unit = float(np.median(core[twin[sure]] / neighbours.brightness[sure]))
    return (
        np.concatenate([places, neighbours.places[~same]]),
        np.concatenate([core, unit * neighbours.brightness[~same]]),
    )


def _brightness(
    patches: Patches, inverse_gain: float
) -> tuple[int, np.ndarray, np.ndarray, np.ndarray]:
    """Which circle holds most light; light inside it, its signal-to-noise ratio, and the ring."""
    area = np.pi * patches.radii**2
    k0 = int(np.argmin(np.abs(patches.radii - 2.0 * patches.guess_px)))
    ring = np.where(np.isfinite(patches.ring_sigma), patches.ring, 0.0)
    flux = patches.sums[:, k0] - ring * area[k0]
    noise = np.sqrt(patches.noise**2 * area[k0] + inverse_gain * np.maximum(flux, 0))
    return k0, flux, flux / np.maximum(noise, 1e-30), ring


def light_of_teachers(
    patches: Patches, inverse_gain: float, sky_is_known: bool, wings: Wings | None = None
) -> Light | None:
    """Sum of the light of the bright, clean stars, and of their wings."""
    radii = patches.radii
    area = np.pi * radii**2
    k0, flux, ratio, ring = _brightness(patches, inverse_gain)
    clean = np.isfinite(ratio) & (patches.flags == 0)
    pool = clean if (clean & (ratio > 5)).any() else np.isfinite(ratio)
    pool = pool & (ratio > 0)
    if not pool.any():
        return None
    order = np.argsort(np.where(pool, ratio, -np.inf))[::-1][: int(pool.sum())]
    if len(order) > TEACHERS and ratio[order[TEACHERS]] > 30:
        order = order[:TEACHERS]
    order = _alike(order, patches.sums - ring[:, None] * area, k0, ratio)
    # Sums, not means of ratios: a ratio of noisy fluxes is biased. No single star may speak for
    # all, though: its neighbours or its place in the field may be odd.
    weight = np.minimum(1.0, 4 * np.median(flux[order]) / np.maximum(flux[order], 1e-30))
    steps = np.diff(patches.sums[order], axis=1, prepend=0.0)
    step_area = np.diff(area, prepend=0.0)
    shot = inverse_gain * np.maximum(steps, 0)
    variance = (weight**2) @ (patches.noise[order, None] ** 2 * step_area + shot)
    if wings is not None:
        sums = weight @ patches.sums[order]
        return _with_wings(wings, radii, float(weight.sum()), sums, variance, k0)
    with np.errstate(invalid="ignore"):
        ring_sigma = float(np.sqrt((weight**2) @ patches.ring_sigma[order] ** 2))
    sky, sky_sigma = (0.0, 0.0) if sky_is_known else _sky_of_rings(patches, flux)
    return Light(
        radii=radii,
        steps=weight @ steps,
        variance=variance,
        ring_px=patches.ring_px,
        ring=float(weight @ ring[order]),
        ring_sigma=ring_sigma,
        sky=sky * float(weight.sum()),
        sky_sigma=sky_sigma * float(weight.sum()),
    )


def _with_wings(
    wings: Wings, radii: np.ndarray, stars: float, sums: np.ndarray, variance: np.ndarray, k0: int
) -> Light:
    """Light of so many ``stars`` inside the radii, ``sums``, and of their wings beyond."""
    inner = radii < 1.001 * wings.radii[0]
    own = sums - wings.sky * stars * np.pi * radii**2
    core = float(own[k0])
    return Light(
        radii=np.concatenate([radii[inner], wings.radii[1:]]),
        steps=np.concatenate([np.diff(own[inner], prepend=0.0), core * wings.share]),
        variance=np.concatenate([variance[inner], (core * wings.sigma) ** 2]),
        ring_px=(float(wings.radii[-2]), float(wings.radii[-1])),
        ring=0.0,
        ring_sigma=np.inf,
        sky=0.0,
        sky_sigma=core * wings.sky_doubt,
        of_many=True,
    )


def _sky_of_rings(patches: Patches, flux: np.ndarray) -> tuple[float, float]:
    """Rest of the sky where the wings of no star reach: rings over flux, drawn out to no flux.

    Brighter stars have brighter rings, by the light of their wings; the line through ring against
    flux meets the sky itself where the flux is nought.
    """
    good = (patches.flags == 0) & np.isfinite(patches.ring_sigma) & np.isfinite(flux)
    if good.sum() < CROWD:
        return 0.0, np.inf
    ring, own, light = patches.ring[good], patches.ring_sigma[good] ** 2, flux[good]
    scale = float(np.max(np.abs(light)))
    if np.ptp(light) < 0.01 * scale:
        # All alike: nothing can be drawn out to no flux.
        return 0.0, np.inf
    design = np.stack([np.ones_like(light), light / scale], axis=1)
    weight = 1 / own
    for _ in range(10):
        normal = design.T @ (weight[:, None] * design)
        covariance = np.linalg.inv(normal)
        rest = ring - design @ (covariance @ (design.T @ (weight * ring)))
        scatter = max((1.4826 * float(np.median(np.abs(rest)))) ** 2, float(np.median(own)))
        weight = 1 / (np.maximum(own, scatter) * (1 + rest**2 / (9 * scatter)) ** 2)
    value = covariance @ (design.T @ (weight * ring))
    return float(value[0]), float(np.sqrt(covariance[0, 0]))


def _alike(order: np.ndarray, sums: np.ndarray, k0: int, ratio: np.ndarray) -> np.ndarray:
    """Leave out stars whose light is spread unlike that of most others."""
    if len(order) < 5:
        return order
    shape = sums[order] / sums[order, k0, None]
    k = int(np.argmin(np.abs(np.median(shape, axis=0) - 0.5)))
    gap = np.abs(shape[:, k] - np.median(shape[:, k]))
    allowed = np.maximum(4 * np.hypot(1 / ratio[order], 1.4826 * np.median(gap)), 0.02)
    return order[gap <= allowed]
