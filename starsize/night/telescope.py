"""The telescope as a night knows it, and the star of a filter tabulated."""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.interpolate import RectBivariateSpline

from ..curves.prediction import share_radius
from ..estimate import NOT_KNOWN, Estimate
from .field import Field, FieldTable
from .model import DEFOCUS_ZONES, LOG_STEP

#: Air exponents that are computed; between them ln radii are taken as parabolas.
AIRS: Final = (1.5, 1.7, 1.95)
#: Defocus that is computed, zones, closer together where the star is sharp.
_COMPUTED: Final = np.r_[-11.0, -8.0, -6.0, np.linspace(-4.5, 4.5, 19), 6.0, 8.0, 11.0]
_SEEINGS: Final = 8
_FINEST_ARCSEC, _COARSEST_ARCSEC = 0.6, 9.0
_FINEST_PX, _COARSEST_PX = 0.6, 14.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Equipment:
    """What is known of the telescope.

    Attributes
    ----------
    shapes : dict of str to tuple
        By filter, a star of wave optics as ``CurveFit.shape`` holds it.
    zone_px : float
        Radius of the disc that one zone of 550 nm makes.
    zone_steps : float
        NaN where the step size is not known.
    offset_steps : dict of str to Estimate
        The table, from one reference; empty without one.
    per_degC : Estimate
        Steps per degree.
    air : Estimate
        Exponent of the air's transfer function; NaN where nothing is known.
    shape_bias : dict of str to (D,) array
        By filter, on ``DEFOCUS_ZONES``: ln of measured over modelled shape as sweeps have shown it.
    shape_lack : dict of str to (2, D) array
        How well that is known: what goes along with focus, and what is left.
    shape_differs : dict of str to float
        By how much the lack of a filter may differ from that of the others.
    swept_seeing : dict of str to float
        ln of the seeing under which they have shown it, pixels.
    field : Field or None
        Tilt and curvature, where sweeps have shown them.
    arcsec_per_px : float
    learnt : bool
        Whether the stars come from sweeps.
    assumed : str
        What had to be assumed, in words; empty if nothing.

    Examples
    --------
    >>> from starsize import measure_night
    >>> known = measure_night(["tonight"], offsets="my-results").equipment  # doctest: +SKIP
    >>> known.learnt, known.offset_steps["R"]  # doctest: +SKIP
    (True, Estimate(value=12.3, sigma=1.4))
    """

    shapes: Mapping[str, tuple[float, ...]]
    zone_px: float
    zone_steps: float = math.nan
    offset_steps: Mapping[str, Estimate] = dataclasses.field(default_factory=dict)
    per_degC: Estimate = NOT_KNOWN
    air: Estimate = NOT_KNOWN
    shape_bias: Mapping[str, np.ndarray] = dataclasses.field(default_factory=dict)
    shape_lack: Mapping[str, np.ndarray] = dataclasses.field(default_factory=dict)
    shape_differs: Mapping[str, float] = dataclasses.field(default_factory=dict)
    swept_seeing: Mapping[str, float] = dataclasses.field(default_factory=dict)
    field: Field | None = None
    arcsec_per_px: float = math.nan
    learnt: bool = False
    assumed: str = ""
    reference: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class StarTable:
    """ln r50 and ln (r80 / r50) of one filter's star.

    ``log_seeing`` (U,) is ln of the seeing in pixels; the others (A, D, U) are for each star and
    each defocus of ``DEFOCUS_ZONES``. ``fielded`` (A,) says which stars stand in the ``field`` that
    sweeps have shown; for the others the camera has been moved since.
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
        table = field.table(name, self.log_radius[count // 2])
        return replace(twice, field=table, fielded=np.tile([False, True], count))


def seeing_grid(arcsec_per_px: float) -> np.ndarray:
    """Grid of ln seeing in pixels."""
    low, high = _FINEST_PX, _COARSEST_PX
    if math.isfinite(arcsec_per_px):
        low = max(_FINEST_ARCSEC / arcsec_per_px, 0.4)
        high = max(_COARSEST_ARCSEC / arcsec_per_px, 4 * low)
    count = math.ceil(math.log(high / low) / LOG_STEP)
    return np.linspace(math.log(low), math.log(high), count + 1)


def star_table(
    equipment: Equipment, name: str, log_seeing: np.ndarray, airs: np.ndarray
) -> StarTable:
    """Tabulate the star of a filter for some airs, with what sweeps have shown its shape to lack.

    ``log_seeing`` (U,) is evenly spaced.
    """
    radius, shape = _computed(
        equipment.shapes[name],
        equipment.zone_px,
        (float(log_seeing[0]), float(log_seeing[-1]), len(log_seeing)),
    )
    if name in equipment.shape_bias:
        shape = shape + equipment.shape_bias[name][:, None]
    weights = [parabola_weights(air) for air in airs]
    log_radius, log_shape = (
        np.stack([np.tensordot(w, of, 1) for w in weights]) for of in (radius, shape)
    )
    return StarTable(log_seeing, log_radius, log_shape)


def parabola_weights(air: float) -> np.ndarray:
    """Lagrange weights of ``AIRS``."""
    others = [np.delete(AIRS, i) for i in range(len(AIRS))]
    return np.array([np.prod((air - o) / (node - o)) for node, o in zip(AIRS, others, strict=True)])


@lru_cache(maxsize=32)
def _computed(
    shape: tuple[float, ...], zone_px: float, grid: tuple[float, float, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Ln r50 and ln (r80 / r50) for each of ``AIRS`` on the model's grids."""
    # A lens without colour or spherical aberration looks the same from both sides.
    even = not shape[8] and not any(shape[13:])
    places = _COMPUTED[_COMPUTED >= 0] if even else _COMPUTED
    seeing = np.linspace(*grid[:2], _SEEINGS)
    d, u = (part.ravel() for part in np.meshgrid(places, seeing, indexing="ij"))
    blur = d * zone_px if even else _sharpest(shape, zone_px) + d * zone_px

    def spread(values: np.ndarray) -> np.ndarray:
        known, rows = places, values.reshape(places.size, seeing.size)
        if even:
            known, rows = np.r_[-known[:0:-1], known], np.r_[rows[:0:-1], rows]
        return RectBivariateSpline(known, seeing, rows)(DEFOCUS_ZONES, np.linspace(*grid))

    radius, ratio = [], []
    for air in AIRS:
        half = share_radius(shape, blur, np.exp(u), air=air)
        large = share_radius(shape, blur, np.exp(u), air=air, fraction=0.8, start_px=1.7 * half)
        radius.append(spread(np.log(half)))
        ratio.append(spread(np.log(large / half)))
    return np.stack(radius), np.stack(ratio)


def _sharpest(shape: tuple[float, ...], zone_px: float) -> float:
    """Blur at which the star is smallest under the sweep's air, pixels."""
    blur = zone_px * np.linspace(-3, 3, 61)
    radius = share_radius(shape, blur, np.full(blur.size, shape[6]))
    at = int(np.clip(np.argmin(radius), 1, blur.size - 2))
    left, middle, right = radius[at - 1 : at + 2]
    bend = left - 2 * middle + right
    return float(blur[at] + (blur[1] - blur[0]) * (0.5 * (left - right) / bend if bend > 0 else 0))
