"""Make ``starsize/photometry/growth_bank.npz``: growth curves of the stars telescopes can make.

A star is light of a few neighbouring waves bent at an annular pupil out of focus, smeared by
Moffat seeing. In the Fourier plane smearing is a product. The transfer function of the pupil is the
autocorrelation of its wave; with defocus W rho^2 (in waves) and a shift of s pupil diameters it is

    integral of H(x, s) cos(8 pi W s x) dx over its value without shift,

H the height, at abscissa x, of what two pupils set apart by 2 s radii have in common (Goodman,
Introduction to Fourier Optics, OTF of a defocused system -- from memory; the tests compare with
GalSim). The light inside radius r is 2 pi r times the integral over k of J1(2 pi k r) times the
transfer function. Lengths are in units of the full width of the seeing at half maximum: ``disc`` is
the geometric radius of the defocused pupil, 4 W lambda N, and ``bend`` is lambda N. No bend means
straight rays.

Run: ``python scripts/make_growth_bank.py``, about a minute.
"""

import argparse
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.optimize import brentq
from scipy.special import gamma, j1, kv

from starsize.photometry.law import GRID

DISCS = (0.0, 0.35, 0.6, 0.85, 1.1, 1.4, 1.75, 2.2, 2.75, 3.5, 4.5, 6.0, 9.0)
#: Hole over pupil, and how common each is taken to be.
HOLES = {0.0: 1.5, 0.2: 1.0, 0.35: 1.0, 0.5: 0.5}
#: In focus the hole hardly shows.
SHARP_HOLES = {0.0: 1.5, 0.35: 1.0}
#: Wavelength over pupil, as an angle over the seeing: 60 to 250 mm in usual air (common practice),
#: or so much seeing that it does not matter.
BENDS = {0.0: 2.0, 0.2: 0.5, 0.4: 0.7, 0.7: 0.4}
SHARP_BENDS = {0.0: 3.0, 0.2: 0.6, 0.4: 0.7, 0.7: 0.3}
FAR_BENDS = {0.0: 2.0, 0.4: 1.0}
#: Seeing is a Moffat star of beta 2.5 to 4.8 (common practice), rarely wider; what shakes the
#: telescope adds a Gaussian (here beta 9); 0 is Kolmogorov's turbulence, a long exposure.
BETAS = {0: 0.6, 2.2: 0.3, 2.5: 0.8, 3.0: 1.0, 3.6: 1.0, 4.8: 1.0, 9.0: 0.6}
#: In focus nothing else shapes the star, and the data tell more.
SHARP_BETAS = {
    0: 0.7, 2.2: 0.2, 2.35: 0.3, 2.5: 0.5, 2.75: 0.5, 3.0: 0.6, 3.3: 0.6, 3.6: 0.6, 4.1: 0.6,
    4.8: 0.5, 6.0: 0.5, 9.0: 0.5, 30.0: 0.3
}  # fmt: skip
#: One filter's waves over their mean.
COLOURS = (0.92, 1.0, 1.08)
#: Waves per FWHM of the seeing; it leaves nothing beyond four.
WAVES = (np.arange(12000) + 0.5) * (4.0 / 12000)
TARGET = Path(__file__).resolve().parents[1] / "starsize" / "photometry" / "growth_bank.npz"


def pupils() -> Iterator[tuple[float, float, float, float]]:
    """Disc, hole, bend, and how common these are."""
    for disc in DISCS:
        holes = HOLES if disc > 0.5 else SHARP_HOLES
        bends = SHARP_BENDS if disc < 1.2 else BENDS if disc < 5 else FAR_BENDS
        for hole, hole_weight in holes.items():
            for bend, bend_weight in bends.items():
                weight = hole_weight * bend_weight / sum(holes.values()) / sum(bends.values())
                yield disc, hole, bend, weight


def seeing_transfer(k: np.ndarray, beta: float) -> np.ndarray:
    if beta == 0:
        # FWHM 0.976 lambda / r0; Fried 1966 (from memory), as in GalSim's Kolmogorov.
        return np.exp(-3.44 * (k / 0.976) ** (5 / 3))
    alpha = 0.5 / np.sqrt(2 ** (1 / beta) - 1)
    x = 2 * np.pi * alpha * k
    return 2 * (x / 2) ** (beta - 1) * kv(beta - 1, x) / gamma(beta - 1)


def ray_transfer(k: np.ndarray, disc: float, hole: float) -> np.ndarray:
    def jinc(x: np.ndarray) -> np.ndarray:
        x = np.maximum(x, 1e-9)
        return 2 * j1(x) / x

    x = 2 * np.pi * disc * k
    return (jinc(x) - hole**2 * jinc(hole * x)) / (1 - hole**2)


def wave_transfer(k: np.ndarray, disc: float, hole: float, bend: float) -> np.ndarray:
    """Transfer function of a defocused annulus in one colour, on a table of shifts."""
    shifts = np.linspace(0.0, 1.0, 401)[:, None]
    x = (np.arange(4000) + 0.5) / 4000
    # Half the heights of the two pupils at x - s and x + s; of their common part, less the holes.
    whole = np.sqrt(np.maximum(1 - (x + shifts) ** 2, 0))
    holes = np.sqrt(np.maximum(hole**2 - np.minimum((x + shifts) ** 2, (x - shifts) ** 2), 0))
    height = np.maximum(whole - holes, 0)
    waves = disc / (4 * bend)
    table = (height * np.cos(8 * np.pi * waves * shifts * x)).sum(axis=1)
    return np.interp(k * bend, shifts[:, 0], table / table[0], right=0.0)


def transfer_of(disc: float, hole: float, bend: float) -> np.ndarray:
    if bend == 0:
        return ray_transfer(WAVES, disc, hole)
    # Defocus in micrometres is one for all colours, and so is its disc.
    return np.mean([wave_transfer(WAVES, disc, hole, c * bend) for c in COLOURS], axis=0)


def light_inside(radii: np.ndarray, transfer: np.ndarray) -> np.ndarray:
    waves = j1(2 * np.pi * radii[:, None] * WAVES)
    return 2 * np.pi * radii[:, None] * (waves @ transfer) * (WAVES[1] - WAVES[0])


def curve(transfer: np.ndarray, size: float) -> tuple[np.ndarray, np.ndarray]:
    """Share of the light on ``GRID``, and its change with a small blur."""

    def missing(radius: float) -> float:
        return float(light_inside(np.array([radius]), transfer[:, None])[0, 0]) - 0.5

    half = brentq(missing, 0.1 * size, 10 * size, xtol=1e-6)
    # A blur of variance v multiplies the transfer by exp(-2 pi^2 k^2 v).
    both = np.stack([transfer, -2 * np.pi**2 * WAVES**2 * transfer], axis=1)
    share, blur = light_inside(GRID * half, both).T
    return np.maximum.accumulate(np.clip(share, 0, 1)), half**2 * blur


def main() -> None:
    shares, blurs, weights = [], [], []
    for disc, hole, bend, weight in pupils():
        pupil = transfer_of(disc, hole, bend)
        betas = BETAS if disc > 0.5 else SHARP_BETAS
        for beta, beta_weight in betas.items():
            share, blur = curve(seeing_transfer(WAVES, beta) * pupil, max(0.7 * disc, 0.7))
            shares.append(share)
            blurs.append(blur)
            weights.append(weight * beta_weight / sum(betas.values()))
    np.savez_compressed(
        TARGET,
        share=np.array(shares, np.float32),
        blur=np.array(blurs, np.float32),
        weight=np.array(weights) / np.sum(weights),
    )
    print(f"wrote {len(shares)} curves to {TARGET.name}, {TARGET.stat().st_size} bytes")


if __name__ == "__main__":
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    main()
