"""A star seen in many colours at once: the curve of a band of foci.

Where each colour of a filter's band comes to focus at another place, the star is the sum of many
blurred discs. Its half-flux radius is smallest where most light is sharp, while the wings are
centred on the mean of the foci. The foci are modelled along the band, t from -1 to 1, as

    focus(t) = centre + (line * t + bend * w(t)) floor / slope,

with w what is left of exp(1.3 t) after its mean and its straight part: the dispersion of glass
grows towards short waves about like that. ``line`` and ``bend`` are in floors. The light falls off
to the edges of the band like 1 - t^2 / 2: half-way between hard edges and a band that fades away.
"""

from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import NamedTuple

import numpy as np
from scipy.interpolate import CubicSpline

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(9)
_TAPER = 0.5
"""Light lost at the edges of a band, where filter, sensor and starlight fall off together."""
_WEIGHTS = _WEIGHTS * (1 - _TAPER * _NODES**2)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_STEEPNESS = 1.3
_BEND_RMS = 0.3
_NEWTON = 8
_CONVERGED = 1e-4
"""Flux missing before the last step of Newton, which squares it."""


def _bend() -> np.ndarray:
    rise = np.exp(_STEEPNESS * _NODES)
    rise = rise - (rise * _WEIGHTS).sum()
    straight = (rise * _NODES * _WEIGHTS).sum() / (_NODES**2 * _WEIGHTS).sum()
    rise = rise - straight * _NODES
    return rise * (_BEND_RMS / np.sqrt((rise**2 * _WEIGHTS).sum()))


_BENT = _bend()
_CHANGES = _WEIGHTS * np.stack([np.ones(_NODES.size), -_NODES, -_BENT])
"""What defocus, line and bend do to the focus of each colour, with the light in it."""


class BandRadius(NamedTuple):
    """Half-flux radius in floors, and its slopes by defocus, line and bend; arrays (...).

    ``by_floor`` is d(radius in px) / d(ln floor) over the floor with everything in pixels and
    steps held fixed: what a change of the seeing does.
    """

    value: np.ndarray
    by_u: np.ndarray
    by_line: np.ndarray
    by_bend: np.ndarray
    by_floor: np.ndarray


@dataclass(frozen=True, slots=True)
class _Encircled:
    """Flux inside a radius: one bicubic per cell of a regular grid in arcsinh(u), q / (1 + q).

    ``cells`` is (4, 4, U Q): coefficients by powers of the place within the cell, that of u first.
    With the cells last, numpy works on long runs: less than half the time of cells first.
    """

    cells: np.ndarray
    rows: int
    columns: int
    per_v: float
    per_share: float

    def row(self, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Which row of cells holds each v, and the place in it."""
        return _cell(v * self.per_v, self.rows)

    def bicubics(self, row: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients (4, 4, ...) at each share, and the place in the cell."""
        column, place = _cell(share * self.per_share, self.columns)
        return self.cells.take(row * self.columns + column, axis=-1), place


def _cell(scaled: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    index = np.minimum(scaled.astype(int), count - 1)
    return index, scaled - index


def _cubic(c: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Values of cubics with their coefficients in the first axis, in place: half the time."""
    value = c[3] * t
    for lower in (c[2], c[1]):
        value += lower
        value *= t
    value += c[0]
    return value


def _cubic_slope(c: np.ndarray, t: np.ndarray) -> np.ndarray:
    slope = c[3] * (1.5 * t)
    slope += c[2]
    slope *= 2 * t
    slope += c[1]
    return slope


@lru_cache(maxsize=8)
def _encircled(obstruction: float) -> tuple[_Encircled, float, float]:
    """The flux inside a radius, and the table's edges in u and q / (1 + q)."""
    source = resources.files(__package__) / "band_table.npz"
    with source.open("rb") as stream, np.load(stream) as stored:
        known, tables = stored["obstructions"], stored["encircled"].astype(float)
        v, share = stored["asinh_u"], stored["share_q"]
    # The light that an obstruction takes goes with its area: linear in the square between two.
    square = np.interp(obstruction**2, known**2, np.arange(known.size))
    low = min(int(square), known.size - 2)
    table = tables[low] + (square - low) * (tables[low + 1] - tables[low])
    cells = _bicubics(v, share, table)
    per_v, per_share = 1 / (v[1] - v[0]), 1 / (share[1] - share[0])
    flux = _Encircled(cells, v.size - 1, share.size - 1, per_v, per_share)
    return flux, float(np.sinh(v[-1])), float(share[-1])


def _bicubics(v: np.ndarray, share: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Coefficients of the cubic spline in both directions, cell by cell: (4, 4, U Q)."""

    def spline(x: np.ndarray, values: np.ndarray, axis: int) -> np.ndarray:
        """Powers of the place in each cell: four of them in the first axis, then (cells, ...)."""
        return CubicSpline(x / (x[1] - x[0]), values, axis=axis).c[::-1]

    across = spline(share, table, 1)  # (4 by share, Q, U)
    both = spline(v, across, 2)  # (4 by v, U, 4 by share, Q)
    return np.ascontiguousarray(np.swapaxes(both, 1, 2)).reshape(4, 4, -1)


def band_radius(
    u: np.ndarray,
    line: np.ndarray,
    bend: np.ndarray,
    *,
    obstruction: float,
    near: np.ndarray | None = None,
) -> BandRadius:
    """Solve for the radius that holds half of the light of all colours.

    Parameters
    ----------
    u : (...) array
        Defocus of the band's centre in floors.
    line, bend : arrays
        Broadcast against ``u``.
    near : (...) array, optional
        Where the radius is to be looked for first: saves time, changes nothing else.
    """
    flux, last_u, last_share = _encircled(obstruction)
    u, line, bend = np.broadcast_arrays(u, line, bend)
    shape = u.shape
    # Colours along the first axis, all else along the last: their sums are one quick product each.
    each = u.ravel() - np.outer(_NODES, line) - np.outer(_BENT, bend)
    apart = np.minimum(np.abs(each), last_u)
    scale = np.sqrt(1 + apart * apart)
    sharp = 1 / scale
    row, t = flux.row(np.log(apart + scale))
    low, high = np.full(u.size, 0.3), 2.5 * scale.max(axis=0)
    if near is None:
        value = (_WEIGHTS @ np.sqrt(sharp)) ** -2
    else:
        value = np.clip(np.broadcast_to(near, shape).ravel(), low, high)
    for _ in range(_NEWTON):
        q = value * sharp
        share = np.minimum(q / (1 + q), last_share)
        cells, s = flux.bicubics(row, share)
        cubic = _cubic(cells, t)
        missing = 0.5 - _WEIGHTS @ _cubic(cubic, s)
        by_q = _cubic_slope(cubic, s) * flux.per_share * (1 - share) ** 2
        by_value = _WEIGHTS @ (by_q * sharp)
        low = np.where(missing > 0, value, low)
        high = np.where(missing > 0, high, value)
        seen, value = value, value + missing / np.maximum(by_value, 1e-3)
        # A converged value stands on a bracket's end: halving from there would throw it away.
        value = np.where((value >= low) & (value <= high), value, (low + high) / 2)
        if np.abs(missing).max() < _CONVERGED:
            break
    by_v = _cubic(_cubic_slope(cells, t), s) * flux.per_v
    pull = (by_v - by_q * seen * apart * sharp * sharp) * sharp
    # Implicit function: the flux inside stays one half, so the radius follows the pull.
    pull *= -np.sign(each) / np.maximum(by_value, 1e-6)
    by_u, by_line, by_bend = _CHANGES @ pull
    found = (value, by_u, by_line, by_bend, value - _WEIGHTS @ (pull * each))
    return BandRadius(*(part.reshape(shape) for part in found))


def band_dip(
    line: np.ndarray, bend: np.ndarray, *, obstruction: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Defocus of the smallest star in floors, its radius, and the slopes of the former.

    Returns
    -------
    u, radius, by_line, by_bend : (...) arrays
    """
    reach = np.abs(line) + 2 * _BEND_RMS * np.abs(bend) + 0.3
    grid = reach[..., None] * np.linspace(-1, 1, 25)
    rough = band_radius(grid, line[..., None], bend[..., None], obstruction=obstruction).value
    at = np.clip(rough.argmin(axis=-1), 1, grid.shape[-1] - 2)
    start = np.take_along_axis(grid, at[..., None], -1)[..., 0]
    width = grid[..., 1] - grid[..., 0]
    u = _vertex(start, width, line, bend, obstruction)[0]
    return _vertex(u, np.minimum(width, 0.15), line, bend, obstruction)


def _vertex(
    u: np.ndarray, width: np.ndarray, line: np.ndarray, bend: np.ndarray, obstruction: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Vertex of the parabola through three points about u, as `band_dip` returns it."""
    three = u + np.multiply.outer([-1.0, 0.0, 1.0], width)
    found = band_radius(three, line, bend, obstruction=obstruction)
    left, middle, right = found.value
    bow = np.maximum(left - 2 * middle + right, 1e-9)
    shift = np.clip(0.5 * (left - right) / bow, -1, 1)

    def rise(by: np.ndarray) -> np.ndarray:
        """What a slope gains over two widths at the vertex, by its own parabola."""
        return by[2] - by[0] + 2 * shift * (by[0] - 2 * by[1] + by[2])

    # The slope by u stays zero at the vertex, which therefore follows what else changes that slope.
    turn = np.maximum(rise(found.by_u), 1e-9)
    by_line, by_bend = -rise(found.by_line) / turn, -rise(found.by_bend) / turn
    return u + shift * width, middle - 0.5 * shift**2 * bow, by_line, by_bend
