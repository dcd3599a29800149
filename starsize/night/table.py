"""The star of a filter tabulated: ln radius and ln shape over defocus, seeing and air."""

from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.interpolate import RectBivariateSpline

from ..curves.prediction import share_radius
from .equipment import Equipment
from .field import Field, FieldTable, field_table
from .model import DEFOCUS_ZONES

#: Air exponents that are computed; between them ln radii are taken as parabolas.
AIRS: Final = (1.5, 1.7, 1.95)
#: Defocus that is computed, zones, closer together where the star is sharp.
_COMPUTED: Final = np.r_[-11.0, -8.0, -6.0, np.linspace(-4.5, 4.5, 19), 6.0, 8.0, 11.0]
_SEEINGS: Final = 8


@dataclass(frozen=True, slots=True, eq=False)
class StarTable:
    """ln r50 and ln (r80 / r50) of one filter's star.

    ``log_seeing`` (U,) is ln of the seeing in pixels; the others (A, D, U) are for each air of
    ``AIRS`` and each defocus of ``DEFOCUS_ZONES``. ``fielded`` (A,) says which stars stand in the
    ``field`` that sweeps have shown; for the others the camera has been moved since.
    """

    log_seeing: np.ndarray
    log_radius: np.ndarray
    log_shape: np.ndarray
    field: FieldTable | None = None
    fielded: np.ndarray | None = None

    def of_stars(self, which: np.ndarray) -> "StarTable":
        """Some of the stars, by number."""
        return replace(
            self,
            log_radius=self.log_radius[which],
            log_shape=self.log_shape[which],
            fielded=None if self.fielded is None else self.fielded[which],
        )

    def in_field(self, field: Field, name: str) -> "StarTable":
        """Each star twice: where the camera has been moved since the sweeps, and in their field."""
        count = len(self.log_radius)
        twice = self.of_stars(np.repeat(np.arange(count), 2))
        table = field_table(field, name, self.log_radius[count // 2])
        return replace(twice, field=table, fielded=np.tile([False, True], count))

    def at_air(self, air: float) -> "StarTable":
        """The same for one air, (1, D, U)."""
        weight = parabola_weights(air)
        return StarTable(
            self.log_seeing,
            np.tensordot(weight, self.log_radius, 1)[None],
            np.tensordot(weight, self.log_shape, 1)[None],
        )


def parabola_weights(air: float) -> np.ndarray:
    """Lagrange weights of ``AIRS``."""
    nodes = np.array(AIRS)
    weights = np.ones(len(nodes))
    for i, node in enumerate(nodes):
        others = np.delete(nodes, i)
        weights[i] = np.prod((air - others) / (node - others))
    return weights


def star_table(equipment: Equipment, name: str, log_seeing: np.ndarray) -> StarTable:
    """Tabulate the star of a filter, with what sweeps have shown its shape to lack.

    ``log_seeing`` (U,) is evenly spaced.
    """
    plain = _star_table(
        equipment.shapes[name],
        equipment.best_px[name],
        equipment.zone_px,
        (float(log_seeing[0]), float(log_seeing[-1]), len(log_seeing)),
    )
    bias = equipment.shape_bias.get(name, np.zeros(DEFOCUS_ZONES.size))
    return StarTable(log_seeing, plain.log_radius, plain.log_shape + bias[:, None])


@lru_cache(maxsize=32)
def _star_table(
    shape: tuple[float, ...], best_px: float, zone_px: float, grid: tuple[float, float, int]
) -> StarTable:
    log_seeing = np.linspace(*grid)
    # A lens without colour or spherical aberration looks the same from both sides.
    even = not shape[8] and not any(shape[13:])
    computed = _COMPUTED[_COMPUTED >= 0] if even else _COMPUTED
    seeing = np.linspace(*grid[:2], _SEEINGS)
    d, u = (part.ravel() for part in np.meshgrid(computed, seeing, indexing="ij"))
    blur, size = best_px + d * zone_px, (len(computed), len(seeing))
    radius, ratio = [], []
    for air in AIRS:
        half = share_radius(shape, blur, np.exp(u), air=air)
        large = share_radius(shape, blur, np.exp(u), air=air, fraction=0.8, start_px=1.7 * half)
        radius.append(_spread(computed, seeing, np.log(half).reshape(size), log_seeing))
        ratio.append(_spread(computed, seeing, np.log(large / half).reshape(size), log_seeing))
    return StarTable(log_seeing, np.stack(radius), np.stack(ratio))


def _spread(
    d: np.ndarray, seeing: np.ndarray, values: np.ndarray, log_seeing: np.ndarray
) -> np.ndarray:
    """Computed values brought to the model's grids."""
    if d[0] == 0:
        d, values = np.r_[-d[:0:-1], d], np.r_[values[:0:-1], values]
    return RectBivariateSpline(d, seeing, values)(DEFOCUS_ZONES, log_seeing)
