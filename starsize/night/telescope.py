"""The telescope as a night knows it, and the star of a filter tabulated.

In a tilted or curved field defocus shows in how the radius changes over the frame, too. Where focus
lies f zones further out at a place, stars there are as large as they are elsewhere f zones further
in. So slopes of ln radius over the frame (``field_slopes``) are

    own + D^-1 (ln R50(d - f, u) over the frame),      f = a u + b v + k w less its mean

with D the fit of a plane and a bowl to places spread evenly over the frame. They turn their sign at
focus, so they tell its side, and seeing hardly changes them.
"""

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.interpolate import BarycentricInterpolator, RectBivariateSpline

from ..curves.fitted import share_radius
from ..estimate import NOT_KNOWN, Estimate
from .model import DEFOCUS_ZONES, LOG_STEP, PRIORS

#: Air exponents that are computed; between them ln radii are taken as parabolas.
AIRS: Final = (1.5, 1.7, 1.95)
#: Defocus that is computed, zones, closer together where the star is sharp.
_COMPUTED: Final = np.r_[-11.0, -8.0, -6.0, np.linspace(-4.5, 4.5, 19), 6.0, 8.0, 11.0]
_SEEINGS: Final = 8
_FINEST_ARCSEC, _COARSEST_ARCSEC = 0.6, 9.0
_FINEST_PX, _COARSEST_PX = 0.6, 14.0
#: An error of the field that so many squared frames share, as if it were of each.
_TOGETHER = 3.0
#: Slopes of a camera that has been moved, and how many of its frames show them (judgement).
_MOVED, _FAR = 0.1, 0.02
_SIDE = np.linspace(-1, 1, 7)
_U, _V = (part.ravel() for part in np.meshgrid(_SIDE, _SIDE))
_PATTERN = np.stack([_U, _V, (_U**2 + _V**2) / 2])
_FIT = np.linalg.pinv(np.column_stack([np.ones(_U.size), *_PATTERN]))[1:]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Field:
    """Plane and bowl of focus over the frame, as sweeps have shown them.

    ``zones`` (3,) says how much further out focus lies at the +x and the +y edge and in the
    corners, ``relative`` their uncertainty over their size; ``own`` are the slopes (3,) of ln
    radius in focus by filter, ``scatter`` (3,) those of frames beyond the stars' own noise.
    """

    zones: np.ndarray
    relative: float
    own: Mapping[str, np.ndarray]
    scatter: np.ndarray


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
    lack_by_seeing : float
        What is added to it for each unit of ln seeing away from that of the sweeps.
    swept_seeing : dict of str to float
        ln of the seeing under which they have shown it, pixels.
    unlike : tuple of str
        Filters whose stars sweeps have shown to be none of the model's: they tell nothing.
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
    lack_by_seeing: float = PRIORS.lack_by_seeing
    swept_seeing: Mapping[str, float] = dataclasses.field(default_factory=dict)
    unlike: tuple[str, ...] = ()
    field: Field | None = None
    arcsec_per_px: float = math.nan
    learnt: bool = False
    assumed: str = ""
    reference: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class StarTable:
    """ln r50 and ln (r80 / r50) of one filter's star, (A, D, U).

    For each star, each defocus of ``DEFOCUS_ZONES`` and each ``log_seeing`` (U,), ln of pixels.
    ``fielded`` (A,) says which stars stand in the ``field`` that sweeps have shown; for the others
    the camera has been moved since.
    """

    log_seeing: np.ndarray
    log_radius: np.ndarray
    log_shape: np.ndarray
    fielded: np.ndarray
    field: "FieldTable | None" = None

    def of_stars(self, which: np.ndarray) -> "StarTable":
        """Some of the stars, by number."""
        names = ("log_radius", "log_shape", "fielded")
        return replace(self, **{name: getattr(self, name)[which] for name in names})

    def in_field(self, field: Field, name: str) -> "StarTable":
        """Each star twice: where the camera has been moved since the sweeps, and in their field."""
        count = len(self.log_radius)
        # Where no sweep shows the slopes of a filter, the mean of the others serves.
        own = field.own[name] if name in field.own else np.mean(list(field.own.values()), axis=0)
        made = slopes_over(self.log_radius[count // 2].T, field.zones)
        twice = self.of_stars(np.repeat(np.arange(count), 2))
        fielded = np.tile([False, True], count)
        return replace(twice, fielded=fielded, field=FieldTable(field, own, made))

    def at_radius(self, log_radius: float) -> tuple[np.ndarray, ...]:
        """Seeing that makes the radius, d ln R / du, ln shape and ln growth there: (A, D) each."""
        grid, rows = self.log_seeing, self.log_radius
        step = grid[1] - grid[0]
        # ln R rises with the seeing: the place is where as many entries lie below.
        below = np.clip((rows < log_radius).sum(axis=2) - 1, 0, grid.size - 2)[..., None]

        def between(values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            low, high = (np.take_along_axis(values, below + k, 2)[..., 0] for k in (0, 1))
            return low, high - low

        low, rise = between(rows)
        slope = np.maximum(rise, 1e-3) / step
        u = grid[below[..., 0]] + (log_radius - low) / slope
        # Seeing beyond the grid cannot be; the seeing's course will say so.
        part = np.clip((log_radius - low) / slope / step, 0.0, 1.0)
        every = map(between, (self.log_shape, self._log_growth()))
        shape, growth = (first + part * more for first, more in every)
        return u, slope, shape, growth

    def log_growth(self, log_seeing: float) -> np.ndarray:
        """Ln growth at each defocus under a given seeing, (A, D)."""
        at = np.clip(np.searchsorted(self.log_seeing, log_seeing), 0, self.log_seeing.size - 1)
        return np.asarray(self._log_growth()[:, :, at])

    def _log_growth(self) -> np.ndarray:
        return np.asarray(self.log_radius - self.log_radius.min(axis=1, keepdims=True))


@dataclass(frozen=True, slots=True, eq=False)
class FieldTable:
    """Slopes of one filter over the frame: its own (3,), and what defocus makes (U, D, 3)."""

    field: Field
    own: np.ndarray
    made: np.ndarray

    def log_density(
        self, slopes: np.ndarray, sigma: np.ndarray, seeing: np.ndarray
    ) -> tuple[np.ndarray, float]:
        """Ln density of a frame's slopes at seeing by number, (A, D); if the camera was moved."""
        model = self.made[seeing, np.arange(DEFOCUS_ZONES.size)]
        own = np.hypot(sigma, self.field.scatter)
        # What is not known of the field has one sign in all frames.
        wide = np.hypot(own, _TOGETHER * self.field.relative * model)
        within = _log_normal(slopes - self.own - model, wide)
        # A field that has been straightened shows each filter's own slopes whatever focus does:
        # that must stay as likely as a field of old in focus, else it would be taken for it.
        near, far = (_log_normal(slopes - self.own, wide) for wide in (own, np.hypot(own, _MOVED)))
        return within, float(np.logaddexp(near + math.log(1 - _FAR), far + math.log(_FAR)))


def _log_normal(gap: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """Ln of the normal density of three independent numbers."""
    log = -0.5 * (gap / sigma) ** 2 - np.log(sigma * np.sqrt(2 * np.pi))
    return np.asarray(log.sum(axis=-1))


def seeing_grid(arcsec_per_px: float) -> np.ndarray:
    """Grid of ln seeing in pixels."""
    low, high = _FINEST_PX, _COARSEST_PX
    if math.isfinite(arcsec_per_px):
        low = max(_FINEST_ARCSEC / arcsec_per_px, 0.4)
        high = max(_COARSEST_ARCSEC / arcsec_per_px, 4 * low)
    count = math.ceil(math.log(high / low) / LOG_STEP)
    return np.linspace(math.log(low), math.log(high), count + 1)


def star_table(equipment: Equipment, name: str, airs: np.ndarray) -> StarTable:
    """Tabulate a filter's star for some airs, with what sweeps have shown its shape to lack."""
    grid = seeing_grid(equipment.arcsec_per_px)
    ends = float(grid[0]), float(grid[-1]), grid.size
    radius, shape = _computed(equipment.shapes[name], equipment.zone_px, ends)
    if name in equipment.shape_bias:
        shape = shape + equipment.shape_bias[name][:, None]
    log_radius, log_shape = (BarycentricInterpolator(AIRS, of)(airs) for of in (radius, shape))
    return StarTable(grid, log_radius, log_shape, np.zeros(len(airs), bool))


@lru_cache(maxsize=32)
def _computed(
    shape: tuple[float, ...], zone_px: float, grid: tuple[float, float, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Ln r50 and ln (r80 / r50) for each of ``AIRS`` on the model's grids."""
    seeing = np.linspace(*grid[:2], _SEEINGS)
    d, u = (part.ravel() for part in np.meshgrid(_COMPUTED, seeing, indexing="ij"))
    blur = _sharpest(shape, zone_px) + d * zone_px

    def spread(values: np.ndarray) -> np.ndarray:
        spline = RectBivariateSpline(_COMPUTED, seeing, values.reshape(_COMPUTED.size, seeing.size))
        return np.asarray(spline(DEFOCUS_ZONES, np.linspace(*grid)))

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


def reading(grid: np.ndarray, at: np.ndarray) -> np.ndarray:
    """Weights (..., G) that read values on an even grid between its points."""
    gap = np.abs(np.clip(at, grid[0], grid[-1])[..., None] - grid) / (grid[1] - grid[0])
    return np.maximum(1 - gap, 0.0)


def slopes_over(log_radius: np.ndarray, zones: np.ndarray) -> np.ndarray:
    """Slopes that a field makes at each defocus, (n, D, 3), of ln radii (n, D)."""
    further = zones @ _PATTERN
    read = reading(DEFOCUS_ZONES, DEFOCUS_ZONES[:, None] - further + further.mean())
    return np.tensordot(log_radius, np.tensordot(read, _FIT, (1, 1)), (1, 1))
