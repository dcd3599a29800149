"""How far the light of a frame's stars reaches: their wings, from many stars at once.

Far out one star has neighbours and little light of its own. The surface brightness about many
stars is a sum of one and the same profile, once for every star near by in its own brightness, over
a common rest of sky: a linear problem with few unknowns. No law is assumed for the profile, so the
wide faint halo of a lens that spreads the colours is followed as far as it goes.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

#: Annuli widen by this ratio. So many are looked at, and more where the last still holds so much.
_RATIO = 1.275
_ANNULI, _MORE, _MOST, _STILL_LIGHT = 7, 2, 11, 0.007
#: Pixels this near (in half-flux radii) to another star are left out, more if it outshines.
_CORE, _BRIGHTER = 2.5, 0.6
#: A neighbour below this share of a star's light is left to chance, as the unlisted are.
_LEAST_SHARE = 0.01
_ROUNDS, _STRAY = 5, 3.0
#: Stars differ by so much in their wings, as a share of the light there.
_DEPARTURE = 0.05
#: Stars all alike leave the sky and their farthest light to each other: then it is little, to this
#: share of the core in each annulus but the first two.
_LITTLE = 0.02


@dataclass(frozen=True, slots=True, eq=False)
class Wings:
    """Light of a star outside its core, as shares of that inside.

    Attributes
    ----------
    radii : (k + 1,) array
        Edges of the annuli, pixels.
    share, sigma : (k,) arrays
        Light in each annulus over that of the core, and its uncertainty were the sky known.
    sky : float
        What was left of the sky, per pixel.
    sky_doubt : float
        Uncertainty of the sky under a star, as a share of its core per pixel.
    """

    radii: np.ndarray
    share: np.ndarray
    sigma: np.ndarray
    sky: float
    sky_doubt: float


@dataclass(frozen=True, slots=True, eq=False)
class _Stars:
    """What is needed of the frame: its pixels, all that shines, and whom to look at."""

    image: np.ndarray
    places: np.ndarray
    core: np.ndarray
    teachers: np.ndarray
    sky: np.ndarray
    size_px: float
    noise: float
    inverse_gain: float
    sky_tie: float


def find_wings(
    image: np.ndarray,
    places: np.ndarray,
    core: np.ndarray,
    *,
    teachers: np.ndarray,
    sky: np.ndarray,
    size_px: float,
    first_px: float,
    noise: float,
    inverse_gain: float,
    sky_tie: float,
) -> Wings:
    """Solve for the profile of the wings, as far out as there is light.

    Parameters
    ----------
    image : (ny, nx) array
        ADU; NaN where unusable.
    places : (n, 2) array
        All that shines, pixels.
    core : (n,) array
        Light of each within its core, ADU.
    teachers : (m,) int array
        Which of them to look at.
    sky : (m,) array
        Level of the sky about each of those, ADU.
    size_px, first_px : float
        Half-flux radius; where the wings begin.
    noise : float
        Of one pixel of sky, ADU.
    inverse_gain : float
        ADU per electron, 0 where unknown.
    sky_tie : float
        Light of a star, as a share of it per pixel, that the level of its sky may have taken up;
        0 where the sky is certain.

    Notes
    -----
    Accuracy: 3e-3 of the star's light in each annulus, in crowded frames of a lens that spreads the
    colours (tests/stars/test_wings.py).
    """
    stars = _Stars(image, places, core, teachers, sky, size_px, noise, inverse_gain, sky_tie)
    for annuli in range(_ANNULI, _MOST + 1, _MORE):
        wings, goes_on = _solve(stars, first_px * _RATIO ** np.arange(annuli + 1))
        if not goes_on:
            break
    return wings


def _solve(stars: _Stars, edges: np.ndarray) -> tuple[Wings, bool]:
    """The wings between the edges, and whether the last annulus still holds light."""
    k = len(edges) - 1
    design, value, variance, owner = _equations(stars, edges)
    scale = float(np.median(stars.core[stars.teachers]))
    design[:, :k] /= scale
    area = np.pi * np.diff(edges**2) / scale
    prior = np.zeros(k + 1)
    prior[2:k] = (area[2:] / _LITTLE) ** 2
    prior[k] = (1e-6 if stars.sky_tie == 0 else stars.noise) ** -2.0
    weight = 1 / variance
    for _ in range(_ROUNDS):
        normal = design.T @ (weight[:, None] * design) + np.diag(prior)
        normal[np.diag_indices(k)] += 1e-9 * np.trace(normal[:k, :k]) + 1e-300
        inverse = np.linalg.inv(normal)
        found = inverse @ (design.T @ (weight * value))
        rest = value - design @ found
        spread = max(1.0, 1.4826 * float(np.median(np.abs(rest) / np.sqrt(variance))))
        weight = 1 / (variance * (1 + rest**2 / (_STRAY**2 * spread**2 * variance)) ** 2)
    # Neighbours that are not listed and an uneven sky spoil all annuli of a star together.
    pulls = np.zeros((len(stars.teachers), k + 1))
    np.add.at(pulls, owner, design * (weight * rest)[:, None])
    covariance = inverse @ (pulls.T @ pulls) @ inverse
    share = found[:k] * area
    full = np.sqrt(np.maximum(np.diag(covariance), np.diag(inverse)))
    # Where all stars are alike a rest of sky cannot be told from light that all of them have.
    alike = float(np.clip(-(inverse[:k, k] / inverse[k, k])[k // 2 :].mean(), 0.0, 2.0))
    wings = Wings(
        radii=edges,
        share=share,
        sigma=np.sqrt(np.maximum(_given_sky(covariance), _given_sky(inverse))) * area,
        sky=float(found[k]),
        sky_doubt=float(np.hypot(stars.sky_tie, alike * full[k] / scale)),
    )
    return wings, bool(share[-1] > max(_STILL_LIGHT, 4 * full[k - 1] * area[-1]))


def _given_sky(covariance: np.ndarray) -> np.ndarray:
    """Variances of all but the last unknown, were the last one known."""
    shared = covariance[:-1, -1] ** 2 / covariance[-1, -1]
    return np.maximum(np.diag(covariance)[:-1] - shared, 0.0)


def _equations(
    stars: _Stars, edges: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """For each quarter of an annulus about each star: design, brightness, variance, which star."""
    step = max(1, int(stars.size_px / 2))
    tree = cKDTree(stars.places)
    near = tree.query_ball_point(stars.places[stars.teachers], 2 * edges[-1])
    parts = []
    for number, i in enumerate(stars.teachers):
        design, value, count = _about(stars, i, near[number], edges, step)
        seen = count > 0
        above = value[seen] - stars.sky[number]
        light = np.maximum(above, 0)
        grain = (stars.noise**2 + stars.inverse_gain * light) / step**2 / count[seen]
        variance = grain + (_DEPARTURE * light) ** 2
        parts.append((design[seen], above, variance, np.full(len(above), number)))
    design, value, variance, owner = (np.concatenate(p) for p in zip(*parts, strict=True))
    return design, value, variance, owner


def _about(
    stars: _Stars, i: int, near: list[int], edges: np.ndarray, step: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Whose light is in each quarter of an annulus, mean brightness and number of pixels there."""
    k = len(edges) - 1
    cut, x, y = _binned(stars.image, stars.places[i], step, int(np.ceil(edges[-1] / step)))
    x, y = x - stars.places[i, 0], y - stars.places[i, 1]
    gap = x**2 + y**2
    ring = np.searchsorted(edges**2, gap) - 1
    good = np.isfinite(cut) & (ring >= 0) & (ring < k)
    others = []
    for j in near:
        share = stars.core[j] / stars.core[i]
        if j == i or share < _LEAST_SHARE:
            continue
        dx, dy = stars.places[j] - stars.places[i]
        other = (x - dx) ** 2 + (y - dy) ** 2
        clear = _CORE * stars.size_px * (1 + _BRIGHTER * np.log10(max(share, 1.0)))
        good &= other > clear**2
        others.append((stars.core[j], other))
    cell = (4 * ring + 2 * (x > 0) + (y > 0))[good]
    cells = 4 * k
    count = np.bincount(cell, minlength=cells)
    many = np.maximum(count, 1)
    value = np.bincount(cell, cut[good], minlength=cells) / many
    design = np.zeros((cells, k + 1))
    for light, distance in [(stars.core[i], gap), *others]:
        ring = np.searchsorted(edges**2, distance[good]) - 1
        inside = (ring >= 0) & (ring < k)
        pairs = np.bincount(cell[inside] * k + ring[inside], minlength=cells * k)
        design[:, :k] += light * pairs.reshape(cells, k)
    design /= many[:, None]
    design[:, k] = 1.0
    return design, value, count


def _binned(
    image: np.ndarray, place: np.ndarray, step: int, half: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Pixels about a place, ``step`` by ``step`` of them averaged, and the places of these."""
    side = (2 * half + 1) * step
    corner = np.array([int(np.rint(place[1])), int(np.rint(place[0]))]) - side // 2
    first = np.maximum(corner, 0)
    # Whole groups of pixels, also where the frame ends.
    first += (-(first - corner)) % step
    size = np.maximum((np.minimum(corner + side, image.shape) - first) // step, 0)
    last = first + size * step
    part = image[first[0] : last[0], first[1] : last[1]]
    cut = part.reshape(size[0], step, size[1], step).mean(axis=(1, 3))
    y, x = (first[a] + (np.arange(size[a]) + 0.5) * step - 0.5 for a in (0, 1))
    return cut.ravel(), np.tile(x, len(y)), np.repeat(y, len(x))
