"""Growth curves a telescope can make: an evenly lit pupil out of focus, smeared by seeing.

They serve as prior knowledge where a frame's own stars are too faint or too few to teach their
growth curve: what lies in the noise is taken from the curves that agree with what does not.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.special import gamma, j1, kv

from ..conventions import FLUX_FRACTION

#: Radius of the pupil's disc over the FWHM of the seeing, from focus to far out of it.
_DISCS = (0.0, 0.35, 0.6, 0.85, 1.1, 1.4, 1.75, 2.2, 2.75, 3.5, 4.5, 6.0, 9.0)
#: Hole over pupil, and how common each is taken to be.
_HOLES = {0.0: 1.5, 0.2: 1.0, 0.35: 1.0, 0.5: 0.5}
#: Seeing is a Moffat star of beta 2.5 to 4.8 (common practice; 4.765 is Kolmogorov's turbulence),
#: rarely wider.
_BETAS = {2.2: 0.3, 2.5: 0.7, 3.0: 1.0, 3.6: 1.0, 4.8: 1.0}
#: Waves per FWHM of the seeing; it leaves nothing beyond four.
_WAVES = (np.arange(1000) + 0.5) * (4.0 / 1000)
#: Radii of the table over the half-flux radius.
GRID = np.concatenate([np.arange(0, 3.0, 0.05), np.arange(3.0, 6.0, 0.25), np.geomspace(6, 24, 13)])


@dataclass(frozen=True, slots=True, eq=False)
class Bank:
    """Many growth curves on one grid of radii, each with half-flux radius 1.

    Attributes
    ----------
    share : (m, g) array
        Share of the light inside each radius of ``GRID``.
    slope : (m, g) array
        Its growth per unit of radius.
    blur : (m, g) array
        Its change with the variance of a small blur (along each axis, in squared units of the
        half-flux radius): what the pixels do to it.
    weight : (m,) array
        Prior probability, summing to 1.
    """

    share: np.ndarray
    slope: np.ndarray
    blur: np.ndarray
    weight: np.ndarray

    def only(self, which: np.ndarray) -> "Bank":
        """The bank with some of its curves."""
        return Bank(*(a[which] for a in (self.share, self.slope, self.blur, self.weight)))


@lru_cache(maxsize=1)
def growth_bank() -> Bank:
    """Build the bank once per process (some hundredths of a second).

    In the Fourier plane smearing is a product: 2 J1(x)/x for a disc, less the hole, and a modified
    Bessel function for Moffat seeing (Goodman, Introduction to Fourier Optics -- from memory).
    The growth curve is G(r) = 2 pi r times the integral of the product with J1(2 pi k r) over k.
    """
    shares, blurs, weights = [], [], []
    for disc in _DISCS:
        holes = _HOLES if disc > 0.5 else {0.0: 1.0}
        all_holes = sum(holes.values())
        size = max(0.75 * disc, 0.6)  # close to the half-flux radius, in units of the seeing
        near = np.linspace(0.02, 4 * size, 160)
        waves = j1(2 * np.pi * near[:, None] * _WAVES)
        for beta, beta_weight in _BETAS.items():
            for hole, hole_weight in holes.items():
                transfer = _moffat_transfer(_WAVES, beta) * _pupil_transfer(_WAVES, disc, hole)
                # A blur of variance v multiplies the transfer by exp(-2 pi^2 k^2 v).
                both = np.stack([transfer, -2 * np.pi**2 * _WAVES**2 * transfer], axis=1)
                grown = 2 * np.pi * near[:, None] * (waves @ both) * (_WAVES[1] - _WAVES[0])
                share, half = _on_grid(near, grown[:, 0], beta)
                shares.append(share)
                blurs.append(half**2 * np.interp(GRID * half, near, grown[:, 1], left=0, right=0))
                weights.append(beta_weight * hole_weight / all_holes)
    share = np.array(shares)
    slope = np.array([PchipInterpolator(GRID, s).derivative()(GRID) for s in share])
    return Bank(share, slope, np.array(blurs), np.array(weights) / np.sum(weights))


def _on_grid(radii: np.ndarray, share: np.ndarray, beta: float) -> tuple[np.ndarray, float]:
    """The curve on ``GRID``, wings of the seeing added, and its half-flux radius before."""
    alpha = 0.5 / np.sqrt(2 ** (1 / beta) - 1)
    # Beyond a few seeing discs the wings follow the Moffat law; the sum over waves cannot.
    far = radii[-1] * np.geomspace(1.05, 9.0, 60)
    law = ((1 + (far / alpha) ** 2) / (1 + (radii[-1] / alpha) ** 2)) ** (1 - beta)
    share = np.concatenate([[0.0], share, 1 - (1 - share[-1]) * law])
    share = np.maximum.accumulate(np.clip(share, 0, 1))
    radii = np.concatenate([[0.0], radii, far])
    half = float(np.interp(FLUX_FRACTION, share, radii))
    return PchipInterpolator(radii, share)(np.minimum(GRID * half, radii[-1])), half


def _moffat_transfer(k: np.ndarray, beta: float) -> np.ndarray:
    alpha = 0.5 / np.sqrt(2 ** (1 / beta) - 1)
    x = 2 * np.pi * alpha * k
    return 2 * (x / 2) ** (beta - 1) * kv(beta - 1, x) / gamma(beta - 1)


def _pupil_transfer(k: np.ndarray, disc: float, hole: float) -> np.ndarray:
    if disc <= 0:
        return np.ones_like(k)
    x = 2 * np.pi * disc * k
    whole = 2 * j1(x) / x
    if hole <= 0:
        return whole
    inner = 2 * j1(hole * x) / (hole * x)
    return (whole - hole**2 * inner) / (1 - hole**2)
