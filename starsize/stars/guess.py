"""A first guess at the size of stars whose places are known."""

import numpy as np

from .cutouts import cut_out
from .star_lists import nearest_others

_LADDER = 2 ** np.arange(-0.5, 7.01, 0.5)
_WITNESSES = 5


def guess_radius(
    image: np.ndarray, positions: np.ndarray, *, room_px: float | None = None
) -> float:
    """Typical half-flux radius in pixels: a star stands out most in a circle 1.4 times as wide.

    For a Gaussian star in even noise the ratio of flux to noise, F(R) / R, peaks at R = 1.585
    sigma = 1.35 half-flux radii, for a disc at its rim, 1.41 half-flux radii.
    """
    room = 0.5 * min(image.shape)
    if room_px is not None:
        room = min(room, room_px)
    elif len(positions) > 1:
        # Beyond half way to the next star the circle would hold both.
        gaps = nearest_others(positions, 1)[0]
        room = min(room, float(np.median(gaps)) / 2)
    half = int(min(room, _LADDER[-1] * 1.5 + 2)) + 1
    bright = _brightest(image, positions)
    whole = np.rint(bright).astype(int)
    steps = np.arange(-half, half + 1)
    ratios = np.full((len(bright), len(_LADDER)), np.nan)
    for i, (place, middle) in enumerate(zip(bright, whole, strict=True)):
        cut = cut_out(image, middle[:1], middle[1:], half)[0]
        distance = np.hypot(
            steps - (place[0] - middle[0]), (steps - (place[1] - middle[1]))[:, None]
        )
        ratios[i] = _light_over_noise(cut, distance)
    known = np.isfinite(ratios).any(axis=0)
    if not known.any():
        return 2.0
    total = np.nansum(ratios[:, known], axis=0)
    return _peak_radius(_LADDER[known], total) / 1.4


def _peak_radius(radii: np.ndarray, ratio: np.ndarray) -> float:
    """Where the ratio peaks, between the steps of the ladder by a parabola."""
    k = int(np.argmax(ratio))
    if 0 < k < len(ratio) - 1:
        a, b, c = ratio[k - 1 : k + 2]
        bend = a - 2 * b + c
        shift = 0.5 * (a - c) / bend if bend < 0 else 0.0
        return float(radii[k] * (radii[1] / radii[0]) ** np.clip(shift, -0.5, 0.5))
    return float(radii[k])


def _brightest(image: np.ndarray, positions: np.ndarray) -> np.ndarray:
    """The places with most light in a few pixels about them."""
    if len(positions) <= _WITNESSES:
        return positions
    whole = np.rint(positions).astype(int)
    light = np.nan_to_num(cut_out(image, whole[:, 0], whole[:, 1], 4)).sum(axis=(1, 2))
    return positions[np.argsort(light)[-_WITNESSES:]]


def _light_over_noise(cut: np.ndarray, distance: np.ndarray) -> np.ndarray:
    """Flux inside each circle of the ladder over its radius; NaN where the cutout is too small."""
    good = np.isfinite(cut) & (distance <= cut.shape[0] // 2)
    order = np.argsort(distance[good])
    reach, light = distance[good][order], cut[good][order].astype(float)
    ratios = np.full(len(_LADDER), np.nan)
    for k, radius in enumerate(_LADDER):
        inside, outside = np.searchsorted(reach, [radius, 1.5 * radius + 1.5])
        if outside >= len(reach):
            break
        if inside == 0:
            # The smallest circle may hold no pixel's centre.
            continue
        ratios[k] = (light[:inside] - np.median(light[inside:outside])).sum() / radius
    return ratios
