"""How a round pupil passes detail: its transfer function, tabulated once and read off smoothly.

A point of the pupil is named by q, its height squared in units of the pupil's radius, e^2 to 1. The
wave error is D q + S (q^2 - q) waves: D of defocus, S of spherical aberration balanced at the rim.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import solve_banded
from scipy.sparse import csr_matrix

DEFOCUS_STEP = 0.09
SPHERICAL_STEP = 0.18
SPHERICAL_LAYERS = 19
"""Waves between tabulated curves, and how many of spherical aberration: +-1.62 waves."""
MARGIN = 2
FURTHEST = 64.0  # waves of defocus that are tabulated at most
_ACROSS = 40
_ALONG = 10


@lru_cache(maxsize=64)
def gauss_legendre(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Nodes from -1 to 1 and weights of Gauss-Legendre quadrature."""
    node, weight = np.polynomial.legendre.leggauss(count)
    return node, weight


@dataclass(frozen=True, slots=True, eq=False)
class PupilTable:
    """Transfer function over defocus and spherical aberration, as coefficients of cubic splines."""

    detail: np.ndarray
    """Frequencies over the cut-off 1 / (lambda N), Legendre nodes from 0 to ``top``: (n,)."""
    weight: np.ndarray  # of their quadrature
    coefficients: np.ndarray  # (spherical layers, defocus rows * n)
    rows: int  # of defocus, from ``-most`` to ``most`` waves
    most: float
    obstruction: float

    @property
    def top(self) -> float:
        """Highest frequency, in units of the cut-off."""
        return float(self.detail[0] + self.detail[-1])

    def reaching(self, defocus: np.ndarray) -> "PupilTable":
        """Return this table, or one that reaches as far as the waves of defocus asked for."""
        furthest = float(np.abs(defocus).max(initial=0.0))
        if furthest <= self.most or self.most >= FURTHEST:
            return self
        return pupil_table(
            self.obstruction, round_reach(furthest), top=self.top, nodes=self.detail.size
        )

    def onto(self, detail: np.ndarray) -> np.ndarray:
        """Matrices (c, n, m) that carry curves at ``self.detail`` over to others (c, m).

        The polynomial through the nodes, in Lagrange's barycentric form (Berrut & Trefethen 2004,
        SIAM Review 46, 501; weights of Legendre nodes: (-1)^j sqrt((1 - x^2) w)); 0 beyond the top.
        """
        x, w = gauss_legendre(self.detail.size)
        sign = np.sqrt((1 - x**2) * w) * (-1.0) ** np.arange(x.size)
        inside = detail <= self.top
        away = (2 * np.where(inside, detail, 0.0) / self.top - 1)[:, None] - x[:, None]
        away[away == 0] = 1e-15
        share = np.divide(sign[:, None], away, out=away)
        share *= (inside / share.sum(axis=1))[:, None]
        return share

    def read(
        self, defocus: np.ndarray, spherical: np.ndarray, moved: np.ndarray, *, which: np.ndarray
    ) -> np.ndarray:
        """Transfer functions (m, n) and, below them, their slopes: (1 or 2 + j, m, n).

        Each curve is the mean over k waves of defocus (m, k), of the colour ``which`` (m,) with the
        spherical aberration (c,) of its own; beyond the table its edge serves. The slopes are by
        spherical aberration and by what moves the defocus by ``moved`` (j, m, k), none for j = 0.
        """
        half = (SPHERICAL_LAYERS - 1) / 2 * SPHERICAL_STEP
        layer, *by = _basis(spherical, -half, SPHERICAL_STEP, SPHERICAL_LAYERS)
        across = np.zeros((2 if len(moved) else 1, len(spherical), SPHERICAL_LAYERS))
        for out, weight in zip(across, by, strict=False):
            np.put_along_axis(out, layer, weight, axis=1)
        row, by_d, slope_d = _basis(defocus, -self.most, DEFOCUS_STEP, self.rows)
        # Colours have one spherical aberration in all frames: that leaves curves of defocus.
        some, first = slice(layer.min(), layer.max() + 1), row.min()
        rows, nodes = row.max() + 1 - first, self.detail.size
        near = self.coefficients[some, first * nodes : (first + rows) * nodes]
        curves = (across[..., some].reshape(-1, len(near)) @ near).reshape(-1, nodes)
        place = row - first + (which * rows)[:, None, None]
        value = [by_d, by_d][: len(across)] + [slope_d * by[..., None] for by in moved]
        index = [place, place + len(spherical) * rows][: len(across)] + [place] * len(moved)
        count, per_row = len(value) * len(place), 4 * defocus.shape[1]
        weights = csr_matrix(
            (
                np.stack(value).ravel() / defocus.shape[1],
                np.stack(index).ravel(),
                np.arange(count + 1) * per_row,
            ),
            (count, len(curves)),
        )
        return (weights @ curves).reshape(len(value), len(place), -1)


def round_reach(waves: float) -> float:
    """How far a table goes that reaches so many waves: few tables serve all that is asked."""
    return min(8.0 * float(np.ceil(waves / 8)), FURTHEST)


@lru_cache(maxsize=16)
def pupil_table(obstruction: float, most: float, *, top: float, nodes: int) -> PupilTable:
    """Tabulate a pupil, clear or with a round obstruction in its middle.

    The transfer function is the overlap of the pupil with itself moved aside by 2 nu radii
    (Hopkins 1955, Proc. R. Soc. A 231, 91 -- from memory):
    (1 / area) of the integral of cos(2 pi 2 x s (D + S (2 x^2 + 2 y^2 + s^2 / 2 - 1))), s = 2 nu;
    it reaches ``most`` waves of defocus to either side and frequencies up to ``top`` <= 1.

    Accuracy: half-flux radii within 0.05 % of independent quadrature (tests/optics/test_pupil.py).
    """
    node, weight = gauss_legendre(nodes)
    detail, weight = (node + 1) * top / 2, weight * top / 2
    rows = 2 * int(np.ceil(most / DEFOCUS_STEP)) + 2 * MARGIN + 1
    most = (rows - 1) / 2 * DEFOCUS_STEP
    table = np.empty((rows, SPHERICAL_LAYERS, nodes))
    for k, nu in enumerate(detail):
        x, share = _overlap(2 * nu, obstruction)
        once = np.exp(8j * np.pi * nu * DEFOCUS_STEP * x)
        turn = np.vander(once, rows // 2 + 1, increasing=True)
        table[rows // 2 :, :, k] = (turn.T @ share).real
    # Both signs turned, the pupil passes the same.
    table[: rows // 2] = table[: rows // 2 : -1, ::-1]
    layers = _splines(np.moveaxis(_splines(table), 1, 0)).reshape(SPHERICAL_LAYERS, -1)
    return PupilTable(detail, weight, layers, rows, most, obstruction)


def _splines(values: np.ndarray) -> np.ndarray:
    """Coefficients c of cubic B-splines along the first axis, mirrored at its ends.

    (c[i - 1] + 4 c[i] + c[i + 1]) / 6 are the values. A filter that runs to and fro takes three
    times as long where powers of its pole become the smallest of numbers.
    """
    bands = np.full((3, len(values)), 1 / 6)
    bands[1] = 4 / 6
    bands[0, 1] = bands[2, -2] = 2 / 6
    return np.asarray(
        solve_banded((1, 1), bands, values.reshape(len(values), -1)).reshape(values.shape)
    )


@lru_cache(maxsize=256)
def _overlap(s: float, hole: float) -> tuple[np.ndarray, np.ndarray]:
    """Quadrature over the half x > 0 of the overlap: places x, and shares for each layer of S."""
    breaks = np.unique(
        [0.0, *np.clip([s / 2 - hole, hole - s / 2, s / 2 + hole], 0, 1 - s / 2), 1 - s / 2]
    )
    node, weight = gauss_legendre(_ACROSS)
    # Chords of circles begin like square roots: sines at both ends make that smooth.
    low, high = breaks[:-1, None], breaks[1:, None]
    x = (low + (high - low) * (1 + np.sin(np.pi / 2 * node)) / 2).ravel()
    dx = ((high - low) / 2 * np.pi / 2 * np.cos(np.pi / 2 * node) * weight).ravel()
    rim = np.sqrt(np.maximum(1 - (x + s / 2) ** 2, 0))
    inner = np.sqrt(np.maximum(hole**2 - np.minimum(np.abs(x - s / 2), x + s / 2) ** 2, 0))
    inner = np.minimum(inner, rim)
    node, weight = gauss_legendre(_ALONG)
    y = inner[:, None] + (rim - inner)[:, None] * (node + 1) / 2
    dy = (rim - inner)[:, None] / 2 * weight
    bend = 2 * x[:, None] ** 2 + 2 * y**2 + s * s / 2 - 1
    once = np.exp(4j * np.pi * s * SPHERICAL_STEP * x[:, None] * bend)
    turn = np.vander(once.ravel(), SPHERICAL_LAYERS // 2 + 1, increasing=True)
    half = np.einsum("xy,xyl->xl", dy, turn.reshape(*dy.shape, -1))
    area = np.pi * (1 - hole**2)
    return x, 4 / area * dx[:, None] * np.hstack([half[:, :0:-1].conj(), half])


def _basis(
    value: np.ndarray, first: float, step: float, count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Four neighbouring knots of a cubic B-spline, its weights there and their slopes."""
    place = np.clip((value - first) / step, 1.0, count - 2.001)
    base = np.floor(place).astype(int)
    t = place - base
    r = 1 - t
    weight = np.stack(
        [r**3 / 6, 2 / 3 - t * t * (2 - t) / 2, 2 / 3 - r * r * (2 - r) / 2, t**3 / 6], -1
    )
    slope = np.stack([-r * r / 2, t * (3 * t - 4) / 2, r * (4 - 3 * r) / 2, t * t / 2], -1)
    return base[..., None] + np.arange(-1, 3), weight, slope / step
