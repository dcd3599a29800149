"""A star seen in many colours at once: the curve of a band of foci.

Where each colour of a filter's band comes to focus at another place, the star is the sum of many
blurred discs. Its half-flux radius is smallest where most light is sharp, while the wings are
centred on the mean of the foci. The foci are modelled along the band, t from -1 to 1, as

    focus(t) = centre + (line * t + bend * w(t)) floor / slope,

with w what is left of exp(1.3 t) after its mean and its straight part: the dispersion of glass
grows towards short waves about like that. ``line`` and ``bend`` are in floors.
"""

from functools import lru_cache
from importlib import resources
from typing import NamedTuple

import numpy as np
from scipy.interpolate import RectBivariateSpline

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(9)
_WEIGHTS = _WEIGHTS / 2
_STEEPNESS = 1.3
_BEND_RMS = 0.3
_NEWTON = 7


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


@lru_cache(maxsize=8)
def _encircled(obstruction: float) -> tuple[RectBivariateSpline, float, float]:
    """Flux inside a radius as a spline in (arcsinh u, q / (1 + q)), and the table's edges."""
    source = resources.files(__package__) / "band_table.npz"
    with source.open("rb") as stream, np.load(stream) as stored:
        nearest = int(np.argmin(np.abs(stored["obstructions"] - obstruction)))
        u, q, table = stored["asinh_u"], stored["share_q"], stored["encircled"][nearest]
    spline = RectBivariateSpline(u, q, table.astype(float), kx=3, ky=3)
    return spline, float(np.sinh(u[-1])), float(q[-1])


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
    spline, last_u, last_q = _encircled(obstruction)
    u, line, bend = np.broadcast_arrays(u, line, bend)
    each = u[..., None] - line[..., None] * _NODES - bend[..., None] * _BENT
    apart = np.minimum(np.abs(each), last_u)
    scale = np.sqrt(1 + apart * apart)
    v = np.arcsinh(apart)
    value = np.sqrt(1 + (each**2 * _WEIGHTS).sum(axis=-1))
    low, high = 0.3 + 0 * value, 2.5 * scale.max(axis=-1)
    for _ in range(_NEWTON):
        q = value[..., None] / scale
        share = np.minimum(q / (1 + q), last_q)
        flux = (spline.ev(v, share) * _WEIGHTS).sum(axis=-1)
        rate = (spline.ev(v, share, dy=1) * (1 - share) ** 2 / scale * _WEIGHTS).sum(axis=-1)
        low = np.where(flux < 0.5, value, low)
        high = np.where(flux < 0.5, high, value)
        value = value - (flux - 0.5) / np.maximum(rate, 1e-3)
        # A converged value stands on a bracket's end: halving from there would throw it away.
        value = np.where((value >= low) & (value <= high), value, (low + high) / 2)
    q = value[..., None] / scale
    share = np.minimum(q / (1 + q), last_q)
    by_share = spline.ev(v, share, dy=1) * (1 - share) ** 2
    by_value = (by_share / scale * _WEIGHTS).sum(axis=-1)
    pull = spline.ev(v, share, dx=1) / scale - by_share * value[..., None] * apart / scale**3
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
