"""Curves with a little freedom beyond centre, floor and slope, and where they are smallest.

With u the defocus in floors, a curve of the family is

    HFR / floor = g(v) - droop * v^2 / (1 + v^2) + dent * v / (1 + v^2)^(3/2),
    v = u * exp(tilt * u / sqrt(1 + u^2)).

``droop``: diffraction and pixels make both wings a constant radius smaller than geometry says
(references of the table test). ``tilt``: one wing steeper than the other, as spherical aberration
makes it. ``dent``: more of one near side than of the other, as a band of unevenly spread foci
makes it. All three vanish for a plain telescope; each is held to zero by a prior unless the data
pull.
"""

from dataclasses import dataclass

import numpy as np

from .fitted import ModelName
from .shapes import Shape

PARAMETERS = 6
"""Centre, ln floor, ln slope, droop, tilt, dent."""
DROOP, TILT, DENT = 3, 4, 5


@dataclass(frozen=True, slots=True)
class Family:
    """A shape with the standard deviations of its three freedoms; 0 switches one off.

    ``weight`` is the prior weight of the family against others.
    """

    name: ModelName
    shape: Shape
    weight: float = 1.0
    droop: float = 0.0
    tilt: float = 0.0
    dent: float = 0.0

    @property
    def active(self) -> list[int]:
        """Indices of the parameters that are fitted."""
        freedom = (self.droop, self.tilt, self.dent)
        return [0, 1, 2] + [3 + i for i, sigma in enumerate(freedom) if sigma > 0]

    @property
    def freedom_sigma(self) -> np.ndarray:
        """Prior standard deviations of the active freedoms."""
        return np.array([s for s in (self.droop, self.tilt, self.dent) if s > 0])


def curve_and_slopes(
    x: np.ndarray, parameters: np.ndarray, family: Family
) -> tuple[np.ndarray, np.ndarray]:
    """Radius (..., n) and derivatives (..., n, p) by the family's active parameters.

    ``parameters`` is (..., 6), all of them.
    """
    centre, log_floor, log_slope, droop, tilt, dent = np.moveaxis(parameters[..., None], -2, 0)
    floor = np.exp(log_floor)
    slope = np.exp(log_slope)
    u = slope * (x - centre) / floor
    v, stretch, lean = (u, 1.0, None)
    if family.tilt > 0:
        root = np.sqrt(1 + u * u)
        lean = u / root
        grow = np.exp(tilt * lean)
        v, stretch = u * grow, grow * (1 + tilt * u / root**3)
    value, rate = family.shape(v)
    extra = []
    if family.droop > 0:
        inverse = 1 / (1 + v * v)
        value = value - droop * (1 - inverse)
        rate = rate - droop * 2 * v * inverse**2
        extra.append(-(1 - inverse))
    if family.tilt > 0:
        extra.append(None)
    if family.dent > 0:
        bump, bump_rate = _bump(v)
        value = value + dent * bump
        rate = rate + dent * bump_rate
        extra.append(bump)
    by_u = rate * stretch
    by_slope = floor * u * by_u
    columns = [-slope * by_u, floor * value - by_slope, by_slope]
    columns += [floor * (rate * v * lean if e is None else e) for e in extra]
    return floor * value, np.stack(np.broadcast_arrays(*columns), axis=-1)


def _bump(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    square = 1 + v * v
    return v / square**1.5, (1 - 2 * v * v) / square**2.5


def smallest(parameters: np.ndarray, family: Family) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where the curve is smallest, the radius there, and the position's gradient (..., 6).

    The least of a fine grid in v, closed in by a parabola: a curve may have two dips, and the
    deeper counts.
    """
    zero = np.zeros(parameters.shape[:-1])
    gradient = np.zeros(parameters.shape)
    gradient[..., 0] = 1.0
    floor = np.exp(parameters[..., 1])
    if family.dent == 0:
        return parameters[..., 0].copy(), floor * family.shape(zero)[0], gradient
    freedom = parameters[..., DROOP:]
    u, least = _dip(freedom, family)
    scale = np.exp(parameters[..., 1] - parameters[..., 2])
    gradient[..., 1] = scale * u
    gradient[..., 2] = -scale * u
    for index in range(3):
        if 3 + index in family.active:
            up, down = freedom.copy(), freedom.copy()
            up[..., index] += 0.01
            down[..., index] -= 0.01
            change = (_dip(up, family)[0] - _dip(down, family)[0]) / 0.02
            gradient[..., 3 + index] = scale * change
    return parameters[..., 0] + scale * u, floor * least, gradient


_GRID = np.linspace(-1.6, 1.6, 65)


def _dip(freedom: np.ndarray, family: Family) -> tuple[np.ndarray, np.ndarray]:
    """Defocus u of the dip and the radius in floors there."""
    droop, tilt, dent = np.moveaxis(freedom[..., None], -2, 0)
    value = family.shape(_GRID)[0] + dent * _bump(_GRID)[0]
    value = value - droop * _GRID**2 / (1 + _GRID**2)
    at = np.clip(value.argmin(axis=-1), 1, _GRID.size - 2)
    around = [np.take_along_axis(value, (at + k)[..., None], -1)[..., 0] for k in (-1, 0, 1)]
    bend = np.maximum(around[0] - 2 * around[1] + around[2], 1e-12)
    shift = np.clip(0.5 * (around[0] - around[2]) / bend, -1, 1)
    v = _GRID[at] + shift * (_GRID[1] - _GRID[0])
    least = around[1] - 0.125 * (around[0] - around[2]) ** 2 / bend
    # Undo v = u exp(tilt u / sqrt(1 + u^2)).
    u = v.copy()
    for _ in range(8):
        u = v * np.exp(-tilt[..., 0] * u / np.sqrt(1 + u * u))
    return u, least
