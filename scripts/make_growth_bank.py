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
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq
from scipy.special import gamma, j1, kv

from starsize.photometry.law import GRID, SCALE, SHARES
from starsize.photometry.patches import FINER

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
#: Half-flux radii in pixels at which the pixels' doing is tabulated.
PIXELS = (3.0, 1.5, 1.05, 0.85, 0.7)
#: Variance along an axis of a pixel and of a third of one, of which small stars are counted.
VARIANCE = (1 + FINER**-2) / 12
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


def curve(transfer: np.ndarray, size: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Shares of the light on ``GRID`` as seen without pixels and with, sizes, gain of radii."""

    def missing(radius: float) -> float:
        return float(light_inside(np.array([radius]), transfer[:, None])[0, 0]) - 0.5

    half = brentq(missing, 0.1 * size, 10 * size, xtol=1e-6)
    columns = [np.ones_like(WAVES)]
    columns += [np.interp(WAVES * half / pixels, *pixel_transfer()) for pixels in PIXELS]
    light = light_inside(GRID * half, transfer[:, None] * np.stack(columns, axis=1))
    # Sharp stars ring on coarse pixels: only what no pixel has touched must rise to one.
    light[:, 0] = np.maximum.accumulate(np.clip(light[:, 0], 0, 1))
    light = np.clip(light, 0, 1.09)
    dense = np.arange(0, 4, 0.0005)
    splines = [PchipInterpolator(GRID, column) for column in light.T]
    radii = [[np.interp(p, spline(dense), dense) for p in SHARES.values()] for spline in splines]
    sizes = np.array(radii)[:, 1]
    share = [
        spline(np.minimum(GRID * s, GRID[-1])) for spline, s in zip(splines, sizes, strict=True)
    ]
    gain = np.square(radii[1:]) - np.square(radii[0])
    kappa = gain * (np.array(PIXELS)[:, None] ** 2 / VARIANCE)
    return np.array(share), sizes, np.concatenate([kappa[:1], kappa])


@lru_cache(maxsize=1)
def pixel_transfer() -> tuple[np.ndarray, np.ndarray]:
    """Waves per pixel, and how much of them is left, the mean over all directions.

    Light is collected by a pixel, interpolated by quintic splines (Unser 1999, eq. 15: the
    cardinal spline's transform, from memory), and counted in pixels ``FINER`` times finer.
    """
    waves = np.linspace(0, 6, 1201)
    total = np.zeros_like(waves)
    angles = (np.arange(24) + 0.5) / 24 * np.pi / 4
    for angle in angles:
        for_all = 1.0
        for k in (waves * np.cos(angle), waves * np.sin(angle)):
            aliases = sum(np.sinc(k - n) ** 6 for n in range(-9, 10))
            for_all = for_all * np.sinc(k) * np.sinc(k / FINER) * np.sinc(k) ** 6 / aliases
        total += for_all / len(angles)
    return waves, total


def main() -> None:
    curves, weights = [], []
    for disc, hole, bend, weight in pupils():
        pupil = transfer_of(disc, hole, bend)
        betas = BETAS if disc > 0.5 else SHARP_BETAS
        for beta, beta_weight in betas.items():
            curves.append(curve(seeing_transfer(WAVES, beta) * pupil, max(0.7 * disc, 0.7)))
            weights.append(weight * beta_weight / sum(betas.values()))
    share, size, kappa = (np.array(column).swapaxes(0, 1) for column in zip(*curves, strict=True))
    np.savez_compressed(
        TARGET,
        share=np.rint(share * SCALE).astype(np.uint16),
        size=size.astype(np.float32),
        kappa=kappa.astype(np.float32),
        blur=np.array([0.0, *(VARIANCE / p**2 for p in PIXELS)]),
        weight=np.array(weights) / np.sum(weights),
    )
    print(f"wrote {len(curves)} curves to {TARGET.name}, {TARGET.stat().st_size} bytes")


if __name__ == "__main__":
    argparse.ArgumentParser(description=__doc__.splitlines()[0]).parse_args()
    main()
