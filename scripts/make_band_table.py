"""Make ``starsize/curves/band_table.npz``: light inside a radius, for seeing blurred by a disc.

The flux E(r, u) inside radius r (in floors) of Moffat seeing (exponent 3.5, half-flux radius 1)
convolved with an evenly lit disc or annulus of half-flux radius u, by the Hankel integral of
``make_blur_table.py``. Stored on a regular grid of arcsinh(u) and q / (1 + q), q = r / hypot(1, u),
in which it is smooth everywhere. A star seen in many colours is the mean of such stars.

Run: ``python scripts/make_band_table.py``, about a minute.
"""

from pathlib import Path

import numpy as np
from make_blur_table import annulus_transform, moffat_transform
from numpy.polynomial import legendre
from scipy.special import j1

BETA = 3.5
OBSTRUCTIONS = (0.0, 0.25, 0.35, 0.5, 0.6)
ASINH_U = np.linspace(0.0, np.arcsinh(30.0), 56)
SHARE_Q = np.linspace(0.0, 0.96, 97)
TARGET = Path(__file__).resolve().parents[1] / "starsize" / "curves" / "band_table.npz"


def encircled(obstruction: float) -> np.ndarray:
    alpha = 1 / np.sqrt(2 ** (1 / (BETA - 1)) - 1)
    edges = np.linspace(0, 36 / alpha, 1201)
    node, weight = legendre.leggauss(6)
    half = np.diff(edges)[:, None] / 2
    k = (edges[:-1, None] + half * (1 + node)).ravel()
    seeing = moffat_transform(k, alpha, BETA) * (half * weight).ravel()
    rows = []
    for u in np.sinh(ASINH_U):
        outer = u / np.sqrt((1 + obstruction**2) / 2)
        radius = SHARE_Q / (1 - SHARE_Q) * np.hypot(1, u)
        transform = seeing * annulus_transform(k, outer, obstruction)
        rows.append(radius * (j1(np.outer(radius, k)) @ transform))
    return np.clip(np.array(rows), 0, 1)


def main() -> None:
    table = np.array([encircled(e) for e in OBSTRUCTIONS])
    np.savez_compressed(
        TARGET,
        obstructions=OBSTRUCTIONS,
        asinh_u=ASINH_U,
        share_q=SHARE_Q,
        encircled=np.round(table, 6).astype(np.float32),
    )
    print(f"wrote {TARGET.name}, {TARGET.stat().st_size} bytes")


if __name__ == "__main__":
    main()
