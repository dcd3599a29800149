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
_CONVERGED = 1e-8


def _bend() -> np.ndarray:
    rise = np.exp(_STEEPNESS * _NODES)
    rise = rise - (rise * _WEIGHTS).sum()
    straight = (rise * _NODES * _WEIGHTS).sum() / (_NODES**2 * _WEIGHTS).sum()
    rise = rise - straight * _NODES
    return rise * (_BEND_RMS / np.sqrt((rise**2 * _WEIGHTS).sum()))


_BENT = _bend()


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

    ``cells`` is (U, Q, 4, 4): coefficients by powers of the place within the cell.
    """

    cells: np.ndarray
    per_v: float
    per_share: float

    def row(self, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Which row of cells holds each v, and the place in it."""
        return _cell(v * self.per_v, self.cells.shape[0])

    def bicubics(self, row: np.ndarray, share: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients (..., 4, 4) at each share, and the place in the cell."""
        column, place = _cell(share * self.per_share, self.cells.shape[1])
        return self.cells[row, column], place


def _cell(scaled: np.ndarray, count: int) -> tuple[np.ndarray, np.ndarray]:
    index = np.minimum(scaled.astype(int), count - 1)
    return index, scaled - index


def _cubic(c: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Values of cubics with their coefficients in the last axis."""
    return ((c[..., 3] * t + c[..., 2]) * t + c[..., 1]) * t + c[..., 0]


def _cubic_slope(c: np.ndarray, t: np.ndarray) -> np.ndarray:
    return (3 * c[..., 3] * t + 2 * c[..., 2]) * t + c[..., 1]


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
    flux = _Encircled(_bicubics(v, share, table), 1 / (v[1] - v[0]), 1 / (share[1] - share[0]))
    return flux, float(np.sinh(v[-1])), float(share[-1])


def _bicubics(v: np.ndarray, share: np.ndarray, table: np.ndarray) -> np.ndarray:
    """Coefficients of the cubic spline in both directions, cell by cell: (U, Q, 4, 4)."""

    def spline(x: np.ndarray, values: np.ndarray, axis: int) -> np.ndarray:
        """Powers of the place in each cell: (cells, ...), four of them in the last axis."""
        step = x[1] - x[0]
        powers = CubicSpline(x / step, values, axis=axis).c[::-1]
        return np.moveaxis(powers, 0, -1)

    across = spline(share, table, 1)  # (Q, U, 4)
    both = spline(v, across, 1)  # (U, Q, 4 by share, 4 by v)
    return np.ascontiguousarray(np.swapaxes(both, -1, -2))


def band_radius(
    u: np.ndarray, line: np.ndarray, bend: np.ndarray, *, obstruction: float
) -> BandRadius:
    """Solve for the radius that holds half of the light of all colours.

    Parameters
    ----------
    u : (...) array
        Defocus of the band's centre in floors.
    line, bend : arrays
        Broadcast against ``u``.
    """
    flux, last_u, last_share = _encircled(obstruction)
    u, line, bend = np.broadcast_arrays(u, line, bend)
    each = u[..., None] - line[..., None] * _NODES - bend[..., None] * _BENT
    apart = np.minimum(np.abs(each), last_u)
    scale = np.sqrt(1 + apart * apart)
    row, t = flux.row(np.arcsinh(apart))
    value = np.sqrt(1 + (each**2 * _WEIGHTS).sum(axis=-1))
    low, high = 0.3 + 0 * value, 2.5 * scale.max(axis=-1)
    for _ in range(_NEWTON):
        q = value[..., None] / scale
        share = np.minimum(q / (1 + q), last_share)
        cells, s = flux.bicubics(row, share)
        cubic = _cubic(np.swapaxes(cells, -1, -2), t[..., None])
        missing = 0.5 - (_cubic(cubic, s) * _WEIGHTS).sum(axis=-1)
        by_q = _cubic_slope(cubic, s) * flux.per_share * (1 - share) ** 2
        by_value = (by_q / scale * _WEIGHTS).sum(axis=-1)
        if np.abs(missing).max() < _CONVERGED:
            break
        low = np.where(missing > 0, value, low)
        high = np.where(missing > 0, high, value)
        value = value + missing / np.maximum(by_value, 1e-3)
        # A converged value stands on a bracket's end: halving from there would throw it away.
        value = np.where((value >= low) & (value <= high), value, (low + high) / 2)
    by_v = _cubic(_cubic_slope(np.swapaxes(cells, -1, -2), t[..., None]), s) * flux.per_v
    pull = by_v / scale - by_q * value[..., None] * apart / scale**3
    # Implicit function: the flux inside stays one half, so the radius follows the pull.
    each_pull = -pull * np.sign(each) * _WEIGHTS / np.maximum(by_value, 1e-6)[..., None]
    return BandRadius(
        value,
        each_pull.sum(axis=-1),
        (-each_pull * _NODES).sum(axis=-1),
        (-each_pull * _BENT).sum(axis=-1),
        value - (each_pull * each).sum(axis=-1),
    )


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
    u, radius = _vertex(start, width, line, bend, obstruction)
    small = np.minimum(width, 0.15)
    u, radius = _vertex(u, small, line, bend, obstruction)
    step = 0.03
    by_line, by_bend = (
        (
            _vertex(u, small, line + step * a, bend + step * b, obstruction)[0]
            - _vertex(u, small, line - step * a, bend - step * b, obstruction)[0]
        )
        / (2 * step)
        for a, b in ((1, 0), (0, 1))
    )
    return u, radius, by_line, by_bend


def _vertex(
    u: np.ndarray, width: np.ndarray, line: np.ndarray, bend: np.ndarray, obstruction: float
) -> tuple[np.ndarray, np.ndarray]:
    """Vertex of the parabola through three points about u."""
    three = u[..., None] + width[..., None] * np.array([-1.0, 0.0, 1.0])
    value = band_radius(three, line[..., None], bend[..., None], obstruction=obstruction).value
    left, middle, right = np.moveaxis(value, -1, 0)
    bow = np.maximum(left - 2 * middle + right, 1e-9)
    shift = np.clip(0.5 * (left - right) / bow, -1, 1)
    return u + shift * width, middle - 0.5 * shift**2 * bow
