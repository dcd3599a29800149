"""Make ``starsize/curves/blur_table.npz``: half-flux radius of seeing blurred by a defocus disc.

Seeing is a Moffat profile of half-flux radius 1, defocus an evenly lit disc or annulus whose
half-flux radius is u. The flux inside radius r of their convolution is a Hankel integral,

    E(r) = r * integral of J1(k r) S(k) D(k) dk,

with S the transform of the Moffat profile, (k a)^(b-1) K_{b-1}(k a) / (2^(b-2) Gamma(b-1)), and D
that of the annulus, (jinc(kR) - e^2 jinc(kRe)) / (1 - e^2) (Bracewell, The Fourier Transform and
its Applications, Hankel transforms -- from memory; the tests compare with GalSim). The radius
where E = 1/2 is divided by sqrt(1 + u^2), the hyperbola, and the ratio is stored as Chebyshev
coefficients in t = u^2 / (1 + u^2), in which it is smooth: 21 terms reach 4e-5.

Run: ``python scripts/make_blur_table.py``, about half a minute.
"""

from pathlib import Path

import numpy as np
from numpy.polynomial import chebyshev, legendre
from scipy.optimize import brentq
from scipy.special import gamma, j1, kv

BETAS = (2.5, 3.5, 4.765)
OBSTRUCTIONS = (0.0, 0.15, 0.3, 0.45, 0.6)
DEGREE = 20
LARGEST_U = 40.0
TARGET = Path(__file__).resolve().parents[1] / "starsize" / "curves" / "blur_table.npz"


def moffat_transform(k: np.ndarray, alpha: float, beta: float) -> np.ndarray:
    z = np.maximum(k * alpha, 1e-12)
    order = beta - 1
    return z**order * kv(order, z) / (2 ** (order - 1) * gamma(order))


def annulus_transform(k: np.ndarray, radius: float, obstruction: float) -> np.ndarray:
    def jinc(x: np.ndarray) -> np.ndarray:
        safe = np.maximum(x, 1e-12)
        return 2 * j1(safe) / safe

    hole = obstruction**2
    return (jinc(k * radius) - hole * jinc(k * radius * obstruction)) / (1 - hole)


def blurred_radius(u: float, obstruction: float, beta: float) -> float:
    """Half-flux radius of Moffat (half-flux radius 1) convolved with an annulus (the same: u)."""
    alpha = 1 / np.sqrt(2 ** (1 / (beta - 1)) - 1)
    outer = u / np.sqrt((1 + obstruction**2) / 2)
    # Gauss-Legendre in 600 panels: the transform has died away by k alpha = 45.
    edges = np.linspace(0, 45 / alpha, 601)
    node, weight = legendre.leggauss(16)
    half = np.diff(edges)[:, None] / 2
    k = (edges[:-1, None] + half * (1 + node)).ravel()
    transform = moffat_transform(k, alpha, beta) * annulus_transform(k, outer, obstruction)
    weighted = transform * (half * weight).ravel()
    return float(brentq(lambda r: r * np.sum(j1(k * r) * weighted) - 0.5, 0.3, 3 + 1.3 * u))


def coefficients(obstruction: float, beta: float) -> np.ndarray:
    t = (np.cos(np.pi * (np.arange(90) + 0.5) / 90) + 1) / 2
    u = np.sqrt(t / (1 - t))
    near = u < LARGEST_U
    ratio = [blurred_radius(x, obstruction, beta) / np.hypot(1, x) for x in u[near]]
    # The two ends are exact: no blur at u = 0, the disc itself far out.
    t = np.concatenate([t[near], np.zeros(20), np.ones(20)])
    ratio = np.concatenate([ratio, np.ones(40)])
    return chebyshev.chebfit(2 * t - 1, ratio, DEGREE)


def main() -> None:
    table = [[coefficients(e, beta) for e in OBSTRUCTIONS] for beta in BETAS]
    np.savez_compressed(
        TARGET, betas=BETAS, obstructions=OBSTRUCTIONS, coefficients=np.asarray(table)
    )
    print(f"wrote {TARGET.name}, {TARGET.stat().st_size} bytes")


if __name__ == "__main__":
    main()
