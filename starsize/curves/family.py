"""Curves with a little freedom beyond centre, floor and slope, and where they are smallest.

With u the defocus in floors, a curve of the family is

    HFR / floor = g(v) - droop * v^2 / (1 + v^2) + dent * v / (1 + v^2)^(3/2),
    v = u * exp(tilt * u / sqrt(1 + u^2)).

``droop``: diffraction and pixels make both wings a constant radius smaller than geometry says
(references of the table test). ``tilt``: one wing steeper than the other, as spherical aberration
makes it. ``dent``: more of one near side than of the other, as a band of unevenly spread foci
makes it. ``line`` and ``bend`` spread the foci of a band of colours, see ``band``. All vanish for a
plain telescope; each is held to zero by a prior unless the data pull.
"""

from dataclasses import dataclass

import numpy as np

from .band import band_dip, band_radius
from .fitted import ModelName
from .shapes import Shape

PARAMETERS = 8
"""Centre, ln floor, ln slope, droop, tilt, dent, line, bend."""
DROOP, TILT, DENT, LINE, BEND = 3, 4, 5, 6, 7


@dataclass(frozen=True, slots=True)
class Family:
    """A shape with the standard deviations of its freedoms; 0 switches one off.

    ``weight`` is the prior weight of the family against others; ``misfit`` the share of the radius
    by which even its best curve may be wrong. A family has either the first three freedoms or the
    last two, the band of colours, which needs the ``obstruction`` for its own blur.
    """

    name: ModelName
    shape: Shape
    weight: float = 1.0
    droop: float = 0.0
    tilt: float = 0.0
    dent: float = 0.0
    line: float = 0.0
    bend: float = 0.0
    misfit: float = 0.0
    obstruction: float = 0.0

    @property
    def active(self) -> list[int]:
        """Indices of the parameters that are fitted."""
        return [0, 1, 2] + [3 + i for i, sigma in enumerate(self._freedoms) if sigma > 0]

    @property
    def freedom_sigma(self) -> np.ndarray:
        """Prior standard deviations of the active freedoms."""
        return np.array([sigma for sigma in self._freedoms if sigma > 0])

    @property
    def _freedoms(self) -> tuple[float, ...]:
        return (self.droop, self.tilt, self.dent, self.line, self.bend)


def curve_and_slopes(
    x: np.ndarray, parameters: np.ndarray, family: Family, *, near: np.ndarray | None = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Radius (..., n), its slopes (..., n, p) by the active parameters, and by the seeing.

    ``parameters`` is (..., 8), all of them. The last, (..., n), is d(radius) / d(ln floor) with the
    rest of the light held fixed: what a change of the seeing does. ``near`` (..., n) is about what
    the radius will be, where that is known: a band of colours finds it faster from there.
    """
    centre, log_floor, log_slope, droop, tilt, dent, line, bend = np.moveaxis(
        parameters[..., None], -2, 0
    )
    floor, slope = np.exp(log_floor), np.exp(log_slope)
    u = slope * (x - centre) / floor
    if family.line > 0:
        first = None if near is None else near / floor
        found = band_radius(u, line, bend, obstruction=family.obstruction, near=first)
        value, by_u = found.value, found.by_u
        extra = [found.by_line, found.by_bend]
    else:
        value, by_u, extra = _single_focus(u, droop, tilt, dent, family)
    by_slope = floor * u * by_u
    by_floor = floor * value - by_slope
    columns = [-slope * by_u, by_floor, by_slope, *(floor * e for e in extra)]
    seeing = floor * found.by_floor if family.line > 0 else by_floor
    return floor * value, np.stack(np.broadcast_arrays(*columns), axis=-1), seeing


def _single_focus(
    u: np.ndarray, droop: np.ndarray, tilt: np.ndarray, dent: np.ndarray, family: Family
) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Radius in floors, its slope by u, and its slopes by the active freedoms."""
    v, stretch, lean = u, np.ones_like(u), u
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
        extra.append(inverse - 1)
    bump, bump_rate = _bump(v)
    if family.dent > 0:
        value = value + dent * bump
        rate = rate + dent * bump_rate
    if family.tilt > 0:
        extra.append(rate * v * lean)
    if family.dent > 0:
        extra.append(bump)
    return value, rate * stretch, extra


def _bump(v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    square = 1 + v * v
    return v / square**1.5, (1 - 2 * v * v) / square**2.5


def smallest(parameters: np.ndarray, family: Family) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where the curve is smallest, the radius there, and the position's gradient (..., 8).

    The least of a fine grid in v, closed in by a parabola: a curve may have two dips, and the
    deeper counts.
    """
    gradient = np.zeros(parameters.shape)
    gradient[..., 0] = 1.0
    floor = np.exp(parameters[..., 1])
    if family.dent == 0 and family.line == 0:
        return parameters[..., 0].copy(), floor, gradient
    scale = np.exp(parameters[..., 1] - parameters[..., 2])
    if family.line > 0:
        line, bend = parameters[..., LINE], parameters[..., BEND]
        u, least, by_line, by_bend = band_dip(line, bend, obstruction=family.obstruction)
        gradient[..., LINE], gradient[..., BEND] = scale * by_line, scale * by_bend
    else:
        u, least, by_freedom = _dip(parameters[..., DROOP : DENT + 1], family)
        gradient[..., DROOP : DENT + 1] = scale[..., None] * by_freedom
    gradient[..., 1], gradient[..., 2] = scale * u, -scale * u
    return parameters[..., 0] + scale * u, floor * least, gradient


_GRID = np.linspace(-1.6, 1.6, 65)
_SPACING = _GRID[1] - _GRID[0]
_BY_DROOP, _BY_DENT = -(_GRID**2) / (1 + _GRID**2), _bump(_GRID)[0]


def _dip(freedom: np.ndarray, family: Family) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Defocus u of the dip, the radius in floors there, and the gradient (..., 3) of u."""
    droop, tilt, dent = np.moveaxis(freedom, -1, 0)
    value = family.shape(_GRID)[0] + droop[..., None] * _BY_DROOP + dent[..., None] * _BY_DENT
    at = np.clip(value.argmin(axis=-1), 1, _GRID.size - 2)
    left, middle, right = (
        np.take_along_axis(value, (at + k)[..., None], -1)[..., 0] for k in (-1, 0, 1)
    )
    bow = np.maximum(left - 2 * middle + right, 1e-12)
    shift = np.clip(0.5 * (left - right) / bow, -1, 1)
    v = _GRID[at] + shift * _SPACING

    def moved(by: np.ndarray) -> np.ndarray:
        """What the vertex v moves by as the three values do."""
        before, here, after = by[at - 1], by[at], by[at + 1]
        return _SPACING * (0.5 * (before - after) - shift * (before - 2 * here + after)) / bow

    # Undo v = u exp(tilt u / sqrt(1 + u^2)).
    u = v.copy()
    for _ in range(8):
        u = v * np.exp(-tilt * u / np.sqrt(1 + u * u))
    root = np.sqrt(1 + u * u)
    inner = np.exp(-tilt * u / root) / (1 + tilt * u / root**3)  # du / dv
    by_freedom = [inner * moved(_BY_DROOP), -inner * v * u / root, inner * moved(_BY_DENT)]
    return u, middle - 0.5 * shift**2 * bow, np.stack(by_freedom, axis=-1)
