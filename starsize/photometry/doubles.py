"""Two stars in one: what is drawn out as two equal shapes side by side are is parted.

Let all the light be two copies of one round shape, shares p and q of it, a distance d apart.
Cumulants of independent parts add, so along the line between the two they are, beyond those of the
round shape (which show across the line), those of two points (Abramowitz and Stegun 26.1.20, from
memory):

    second  p q d^2            third  p q (q - p) d^3            fourth  p q (1 - 6 p q) d^4

The first two give p and d; the fourth then says whether it was two: over the square of the second
it is -2 for equal stars, -1.2 for a star drawn out evenly, and -2.5 or less for a ring stretched
less than 1.7 times.
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from .detect import Detected, Peaks
from .measured import StarFlag, Stars

#: Longer over shorter axis and signal-to-noise ratio from which moments can tell.
_LONG, _BRIGHT = 1.12, 50.0
#: So far the light is looked at: radii of 50 and of 80 % of it, and pixels.
_REACH, _MORE_PX = (2.8, 1.6), 2.0
#: The fourth cumulant agrees to this share of it; the fainter star has so much of the light.
_AGREES, _LEAST_SHARE = 0.15, 0.3
_NO_PAIR = StarFlag.UNMEASURED | StarFlag.SATURATED | StarFlag.EDGE | StarFlag.MASKED
#: Over the square of its variance the fourth cumulant of a disc is -1, of a thin ring -1.5. Points
#: have no edge, their cumulants no end, and wind draws them out.
_FLAT = -0.5
#: Place (x + iy) and share of the light of one of two.
Part = tuple[complex, float]


def find_doubles(found: Detected, peaks: Peaks, stars: Stars) -> dict[int, tuple[Part, Part]]:
    """Which of the stars, those of the first peaks, are two, and where these two are."""
    drawn_out = (stars.elongation > _LONG) & (peaks.snr[: len(stars)] > _BRIGHT)
    drawn_out &= stars.flags & _NO_PAIR == 0
    pairs = {int(k): _pair(found.levels[0], stars, int(k)) for k in np.flatnonzero(drawn_out)}
    return {k: pair for k, pair in pairs.items() if pair is not None}


def parted(peaks: Peaks, stars: Stars, doubles: Mapping[int, tuple[Part, Part]]) -> Peaks:
    """Two peaks in place of each double, before all others."""
    new = []
    for k, pair in doubles.items():
        narrow = np.sqrt(stars.elongation[k])
        new += [
            (z.real, z.imag, peaks.width[k] / narrow, share * peaks.snr[k] * narrow)
            for z, share in pair
        ]
    kept = peaks.part(np.setdiff1d(np.arange(len(peaks)), list(doubles)))
    columns = zip(np.transpose(new), Peaks.__slots__, strict=True)
    return Peaks(*(np.r_[column, getattr(kept, name)] for column, name in columns))


def _pair(image: np.ndarray, stars: Stars, k: int) -> tuple[Part, Part] | None:
    """The two that star ``k`` is, if it is two."""
    x0, y0 = stars.x[k], stars.y[k]
    reach = min(_REACH[0] * stars.radius[k], _REACH[1] * stars.radius80[k]) + _MORE_PX
    top, left = (max(int(c - reach) - 1, 0) for c in (y0, x0))
    light = image[top : int(y0 + reach) + 2, left : int(x0 + reach) + 2] - stars.background[k]
    y, x = np.indices(light.shape)
    z = x + left + 1j * (y + top)
    light = np.nan_to_num(light) * np.clip(reach - np.abs(z - (x0 + 1j * y0)), 0, 1)
    if not light.sum() > 0:
        return None

    def mean(values: np.ndarray) -> Any:
        return (light * values).sum() / light.sum()

    middle = mean(z)
    line = np.exp(0.5j * np.angle(mean((z - middle) ** 2)))  # along which it is drawn out
    along, across = ((z - middle) / line).real, ((z - middle) / line).imag
    second, wide = mean(along**2) - mean(across**2), mean(across**2)
    flat = mean(across**4) - 3 * wide**2
    fourth = mean(along**4) - 3 * mean(along**2) ** 2 - flat
    if second <= 0 or flat > _FLAT * wide**2:
        return None
    skew = mean(along**3) / second**1.5
    both = 1 / (4 + skew**2)  # p q
    less, apart = (1 - abs(skew) * np.sqrt(both)) / 2, np.sqrt(second / both)
    if less < _LEAST_SHARE or abs(fourth / second**2 * both / (1 - 6 * both) - 1) > _AGREES:
        return None
    # The brighter lies nearer to the middle, on the side that the skew points away from.
    away = line * apart * (1 if skew > 0 else -1)
    return (middle - less * away, 1 - less), (middle + (1 - less) * away, less)
