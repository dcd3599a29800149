"""How the light of a frame's stars grows with radius: what lies beyond every aperture.

A table of growth curves a telescope can make (Moffat seeing, a pupil with or without a hole, in and
out of focus, by rays and by waves; ``scripts/make_growth_bank.py``) is weighed by what the frame's
own stars show. What lies in the noise is taken from the curves that agree with what does not.
"""

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

import numpy as np

#: Radii of the table over the half-flux radius.
GRID = np.concatenate([np.arange(0, 3.0, 0.05), np.arange(3.0, 6.0, 0.25), np.geomspace(6, 24, 13)])
#: Radii at which the law of a frame is handed on.
RADII = np.concatenate([np.arange(0, 3.0, 0.05), np.arange(3.0, 12.01, 0.25)])
#: Shares of the light whose radii are measured, by the names of these.
SHARES = {"radius30": 0.3, "radius": 0.5, "radius80": 0.8}
#: Shares are stored as whole numbers, so many to one.
SCALE = 60_000
#: Real stars depart from the table by so much of their light, and so much of an annulus' own.
_TOLERANCE, _TOLERANCE_SHARE = 0.0005, 0.004


@dataclass(frozen=True, slots=True, eq=False)
class Bank:
    """Growth curves as pixels of several sizes show them, ``b`` tables of ``m`` curves.

    ``share`` (b, m, g) of the light lies inside each radius of ``GRID``, in half-flux radii as
    seen; these are ``size`` (b, m) times those of the light as it fell. Pixels add ``kappa``
    (b, m, 3) times their variance to the squares of the radii of ``SHARES``; ``blur`` (b,) is that
    variance over the square of the half-flux radius; ``weight`` (m,) are prior probabilities.
    """

    share: np.ndarray
    size: np.ndarray
    kappa: np.ndarray
    blur: np.ndarray
    weight: np.ndarray

    def through(self, blur: float) -> tuple[np.ndarray, np.ndarray]:
        """``share`` (m, g) and ``kappa`` (m, 3) at a blur in squared half-flux radii as seen."""
        seen = self.blur[:, None] / self.size**2
        after = np.clip((seen < blur).sum(axis=0), 1, len(seen) - 1)
        rows = np.arange(len(after))
        low, high = seen[after - 1, rows], seen[after, rows]
        part = np.clip((blur - low) / np.maximum(high - low, 1e-6), 0, 1)[:, None]
        part = part.astype(np.float32)

        def between(table: np.ndarray) -> np.ndarray:
            first, last = table[after - 1, rows], table[after, rows]
            last -= first
            last *= part
            return np.add(first, last, out=last)

        return between(self.share), between(self.kappa)


@lru_cache(maxsize=1)
def growth_bank() -> Bank:
    """Read the table, once per process."""
    source = resources.files(__package__) / "growth_bank.npz"
    with source.open("rb") as stream, np.load(stream) as stored:
        share = stored["share"].astype(np.float32) / SCALE
        return Bank(share, *(np.array(stored[n]) for n in ("size", "kappa", "blur", "weight")))


@dataclass(frozen=True, slots=True, eq=False)
class Law:
    """The growth of a frame's stars as seen on its pixels.

    A ``share`` of all the light lies inside each of ``RADII`` (in half-flux radii as seen), known
    to ``sigma``. A blur of unit variance adds ``kappa`` (3,), known to ``kappa_sigma``, to the
    squares of the radii of ``SHARES``.
    """

    share: np.ndarray
    sigma: np.ndarray
    kappa: np.ndarray
    kappa_sigma: np.ndarray

    def inside(self, radius: np.ndarray | float) -> np.ndarray:
        """Share of the light inside radii, in half-flux radii."""
        return np.interp(radius, RADII, self.share)

    def slope(self, radius: np.ndarray | float) -> np.ndarray:
        """Growth of that share with the logarithm of the radius."""
        step = 0.05
        return (self.inside(radius * (1 + step)) - self.inside(radius * (1 - step))) / (2 * step)

    def seen(self, radius: np.ndarray, inner: np.ndarray, outer: np.ndarray) -> np.ndarray:
        """Share of the light left in a circle once the light of the sky ring is taken off."""
        ring = (self.inside(outer) - self.inside(inner)) / (outer**2 - inner**2)
        return self.inside(radius) - radius**2 * ring


def _lookup(table: np.ndarray, radii: np.ndarray) -> np.ndarray:
    """Linear interpolation of each row of a table on ``GRID``."""
    place = np.interp(radii, GRID, np.arange(len(GRID)))
    left = np.minimum(place.astype(int), len(GRID) - 2)
    return table[:, left] + (place - left) * (table[:, left + 1] - table[:, left])


@lru_cache(maxsize=16)
def usual_law(blur: float) -> Law:
    """The law that the table alone suggests."""
    return learn_law(
        np.array([0.5, 1.0]), np.ones(2), np.full(2, 1e3), ring=(4.5, 6.5), sky_sigma=1e3, blur=blur
    )


def learn_law(
    radii: np.ndarray,
    growth: np.ndarray,
    sigma: np.ndarray,
    *,
    ring: tuple[float, float],
    sky_sigma: float,
    blur: float,
) -> Law:
    """Weigh the table by the stacked growth curve of a frame's stars.

    ``growth`` (j,) is the light inside ``radii`` (in half-flux radii as seen, increasing), that of
    the sky ring taken off, in any unit; ``sigma`` the uncertainty of the annulus that ends at each.
    ``ring`` are the inner and outer radius of the sky ring, ``sky_sigma`` is the uncertainty of the
    sky's light on a circle of radius 1, ``blur`` the pixels' variance in squared half-flux radii.
    """
    bank = growth_bank()
    curves, kappas = bank.through(blur)
    share = _lookup(curves, np.r_[radii, ring])
    foreign = (share[:, -1] - share[:, -2]) / (ring[1] ** 2 - ring[0] ** 2)
    seen = share[:, :-2] - radii**2 * foreign[:, None]
    nudge = 0.02
    moved = (_lookup(curves, radii * (1 + nudge)) - share[:, :-2]) / nudge
    data, area = (np.diff(column, prepend=0.0) for column in (growth, radii**2))
    scale = float(growth[-1])
    error = np.hypot(sigma, scale * (_TOLERANCE + _TOLERANCE_SHARE * np.abs(data) / scale))
    light, size = (np.diff(column, axis=1, prepend=0.0) / error for column in (seen, moved))
    data, area = data / error, area / error
    # A size a few per cent off is possible; the sky is known as well as it is.
    sky = area @ area + max(sky_sigma, 1e-5 * scale) ** -2

    def inner(a: np.ndarray, b: np.ndarray) -> np.ndarray:
        """Product of columns with the sky, which is free, taken off."""
        return np.vecdot(a, b) - (a @ area) * (b @ area) / sky

    ll, ls, ss = inner(light, light), inner(light, size), inner(size, size) + (0.03 * scale) ** -2
    ld, sd = inner(light, data), inner(size, data)
    much = (ld * ss - sd * ls) / (ll * ss - ls**2)
    wider = (sd - much * ls) / ss
    misfit = -much * ld - wider * sd
    weight = bank.weight * np.exp(-0.5 * (misfit - misfit.min()))
    weight /= weight.sum()
    few = weight > 1e-4
    weight = weight[few] / weight[few].sum()
    known = _lookup(curves[few], RADII)
    mean = weight @ known
    # What no curve explains is not known of the light beyond either.
    left = data - weight @ (much[few, None] * light[few] + wider[few, None] * size[few])
    left -= (left @ area) / sky * area
    left = np.mean(np.cumsum(left * error) ** 2) - np.mean(np.cumsum(error**2))
    spread = np.sqrt(weight @ (known - mean) ** 2 + max(left, 0.0) / scale**2)
    kappa = weight @ kappas[few]
    return Law(mean, spread, kappa, np.sqrt(weight @ (kappas[few] - kappa) ** 2))
