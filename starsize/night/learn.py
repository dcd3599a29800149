"""The telescope as sweeps have shown it: star by filter, air, and what the shape lacks."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..curves.fitted import CurveFit
from ..curves.prediction import COLOUR, STAR, share_radius
from ..curves.statistics import PRIORS
from ..estimate import NOT_KNOWN, Estimate
from ..setup import Setup
from .course import alike, along_and_apart, seeing_grid, table_of
from .emission import at_radius
from .equipment import ARCSEC_PER_RADIAN, MIDDLE_UM, Equipment
from .field import Field, learn_field
from .model import DEFOCUS_ZONES, NightPriors

_ASSUMED_RATIO, _ASSUMED_PIXEL_UM = 6.0, 3.8
_AIRS = np.linspace(1.5, 1.95, 10)
_FURTHEST_ZONES = 5.0
_LEAST_FRAMES = 4
#: Shares of the fitted colour that the lens may really have; the first where no shapes tell.
_COLOURS = (1.0, 0.5, 0.0)
#: What the modelled ln shape lacks: a common part, and parts that change with defocus.
_COMMON, _LACK = 0.02, 0.01
#: Scatter of shapes from frame to frame that is tried, over the expected one, and its doubt in ln.
_SCATTERS, _SCATTER_LOG = np.geomspace(0.25, 2.0, 7), 0.7
#: The air of another night.
_OTHER_NIGHT = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class SweptFrame:
    """Radii of one frame of a sweep, its position counted from the sweep's best focus."""

    filter: str
    from_best_steps: float
    radius_px: float
    shape: float
    shape_sigma: float
    slopes: tuple[float, ...] = ()
    slopes_sigma: tuple[float, ...] = ()


def equipment_from_fits(
    fits: Sequence[CurveFit],
    *,
    setup: Setup,
    offset_steps: dict[str, Estimate],
    reference: str = "",
    per_degC: Estimate = NOT_KNOWN,
) -> Equipment | None:
    """Equipment from the focus curves of a result; None where no curve is a star's."""
    stars = [fit for fit in fits if fit.answered and len(fit.shape) == STAR]
    if not stars:
        return None
    names = dict.fromkeys(fit.curve.filter for fit in stars)
    known = {n: [fit for fit in stars if fit.curve.filter == n] for n in names}
    chosen = {n: min(mine, key=lambda fit: fit.best_sigma_steps) for n, mine in known.items()}
    first = next(iter(chosen.values())).shape
    zone_px = MIDDLE_UM * first[3]
    shapes = {name: _plain(fit.shape) for name, fit in chosen.items()}
    return Equipment(
        shapes=shapes,
        best_px={name: _sharpest(shape, zone_px) for name, shape in shapes.items()},
        zone_px=zone_px,
        zone_steps=zone_px / abs(first[4]),
        offset_steps=offset_steps,
        per_degC=per_degC,
        arcsec_per_px=_arcsec_per_px(setup),
        learnt=True,
        reference=reference,
    )


def _arcsec_per_px(setup: Setup) -> float:
    focal, pixel = setup.telescope.focal_length_mm, setup.camera.pixel_um
    return ARCSEC_PER_RADIAN * pixel * 1e-3 / focal if focal and pixel else math.nan


def _plain(shape: tuple[float, ...]) -> tuple[float, ...]:
    """The star without what curves of radii can hardly tell from one another.

    Spherical aberration and spread make up for each other and for the wings of the air; taken for
    true they would mislead the shape under other seeing. What they do to the shape is learnt from
    shapes.
    """
    return (*shape[:8], 0.0, 0.0, *shape[10:])


def _sharpest(shape: tuple[float, ...], zone_px: float) -> float:
    """Blur at which the star is smallest under the sweep's air, pixels."""
    blur = zone_px * np.linspace(-3, 3, 61)
    radius = share_radius(shape, blur, np.full(blur.size, shape[6]))
    at = int(np.clip(np.argmin(radius), 1, blur.size - 2))
    left, middle, right = radius[at - 1 : at + 2]
    bend = left - 2 * middle + right
    return float(blur[at] + (blur[1] - blur[0]) * (0.5 * (left - right) / bend if bend > 0 else 0))


def learn_shape(
    equipment: Equipment,
    frames: Sequence[SweptFrame],
    *,
    priors: NightPriors = NightPriors(),  # noqa: B008 -- frozen, so it can be shared
) -> Equipment:
    """Let the shapes of the sweeps' frames tell colour and air, and what the modelled shape lacks.

    For each colour and air the frames leave residuals of ln shape. They are a smooth curve of the
    defocus for each filter (Gaussian process; Rasmussen & Williams 2006, eq. 2.23 to 2.25 and, for
    the evidence, 2.30 -- from memory) and noise; colour, air and how much the shapes scatter are
    those of most evidence. The curves are what the star of wave optics lacks: curves of radii know
    little of the two sides of focus, shapes do.
    """
    # Of a lens' colour curves of radii know so little that it may not be there at all: then it
    # would part the two sides of focus under other seeing.
    some = (1 - PRIORS.plain) / (len(_COLOURS) - 1)
    tried = []
    for share in _COLOURS:
        cost, learnt = _learnt(_coloured(equipment, share), frames, priors)
        tried.append((cost - 2 * math.log(some if share else PRIORS.plain), learnt))
    best = min(tried, key=lambda one: one[0])[1]
    return replace(best, field=_field(best, frames))


def _field(equipment: Equipment, frames: Sequence[SweptFrame]) -> Field | None:
    """Tilt and curvature as the slopes of the sweeps' frames show them."""
    grid = seeing_grid(equipment.arcsec_per_px)
    air = equipment.air.value if equipment.air.is_known else NightPriors().air
    tables = {name: table_of(equipment, name, grid, np.array([air])) for name in equipment.shapes}
    taken, places, rows = [], [], []
    for frame in frames:
        table, zones = tables.get(frame.filter), _zones(equipment, frame)
        if table is None or not frame.slopes or abs(zones) > _FURTHEST_ZONES:
            continue
        u = np.interp(zones, DEFOCUS_ZONES, at_radius(table, math.log(frame.radius_px))[0][0])
        taken.append(frame)
        places.append(zones)
        rows.append([np.interp(u, grid, row) for row in table.log_radius[0]])
    if not taken:
        return None
    return learn_field(
        [frame.filter for frame in taken],
        np.array(places),
        np.array(rows),
        np.array([frame.slopes for frame in taken]),
        np.array([frame.slopes_sigma for frame in taken]),
    )


def _zones(equipment: Equipment, frame: SweptFrame) -> float:
    """Defocus of a frame; NaN through a filter without a curve."""
    shape = equipment.shapes.get(frame.filter)
    way = math.nan if shape is None else math.copysign(1.0, shape[4])
    return way * frame.from_best_steps / equipment.zone_steps


def _coloured(equipment: Equipment, share: float) -> Equipment:
    """The telescope with a share of its lens' colour."""
    shapes = {
        name: (*shape[:COLOUR], *(share * colour for colour in shape[COLOUR:]))
        for name, shape in equipment.shapes.items()
    }
    best = {name: _sharpest(shape, equipment.zone_px) for name, shape in shapes.items()}
    return replace(equipment, shapes=shapes, best_px=best)


def _learnt(
    equipment: Equipment, frames: Sequence[SweptFrame], priors: NightPriors
) -> tuple[float, Equipment]:
    """What frames tell of a lens: -2 ln of the evidence, and the equipment with it."""
    grid = seeing_grid(equipment.arcsec_per_px)
    each = {name: _residuals(equipment, frames, name, grid) for name in equipment.shapes}
    names = [name for name, found in each.items() if len(found[0]) >= _LEAST_FRAMES]
    if not names:
        return math.inf, equipment
    parts = zip(*(each[name] for name in names), strict=True)
    zones, rows, seeing, sigmas = (np.concatenate(part) for part in parts)
    which = np.repeat(np.arange(len(names)), [len(each[name][0]) for name in names])
    smooth = _covariance(zones, which, zones, which)
    before = ((_AIRS - priors.air) / (2 * priors.air_sigma)) ** 2
    tried = []
    for times in _SCATTERS:
        inner = smooth + np.diag(times**2 * (sigmas**2 + priors.wobble**2))
        pulled = np.linalg.solve(inner, rows)
        cost = before + np.einsum("na,na->a", rows, pulled) + np.linalg.slogdet(inner)[1]
        tried.append((cost + (math.log(times) / _SCATTER_LOG) ** 2, inner, pulled))
    cost, inner, pulled = min(tried, key=lambda one: float(one[0].min()))
    at = int(np.argmin(cost))
    weights = np.exp(-0.5 * (cost - cost[at]))
    sigma = math.sqrt(float(np.average((_AIRS - _AIRS[at]) ** 2, weights=weights)))
    many = DEFOCUS_ZONES.size
    everywhere = np.tile(DEFOCUS_ZONES, len(names)), np.repeat(np.arange(len(names)), many)
    cross = _covariance(*everywhere, zones, which)
    left = _covariance(*everywhere, *everywhere) - cross @ np.linalg.solve(inner, cross.T)
    left = left.reshape(len(names), many, len(names), many)
    bias = (cross @ pulled[:, at]).reshape(len(names), many)
    each_own = np.einsum("fdgd->fgd", left)[:, :, np.abs(DEFOCUS_ZONES) < _FURTHEST_ZONES].mean(2)
    learnt = replace(
        equipment,
        air=Estimate(float(_AIRS[at]), math.hypot(sigma, _OTHER_NIGHT)),
        shape_bias=dict(zip(names, bias, strict=True)),
        shape_lack={name: along_and_apart(left[k, :, k]) for k, name in enumerate(names)},
        shape_differs=dict(zip(names, _beyond_the_mean(each_own), strict=True)),
        swept_seeing={n: float(seeing[which == k, at].mean()) for k, n in enumerate(names)},
    )
    return float(cost[at]), learnt


def _beyond_the_mean(covariance: np.ndarray) -> np.ndarray:
    """Sigma by which each of some numbers differs from the mean of them all, (n,)."""
    centred = np.eye(len(covariance)) - 1 / len(covariance)
    variance = np.diag(centred @ covariance @ centred.T)
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)))


def _covariance(
    one: np.ndarray, of_one: np.ndarray, other: np.ndarray, of_other: np.ndarray
) -> np.ndarray:
    """Of what the modelled ln shape lacks, between defoci in zones through filters by number.

    All filters share what air and pupil lack, the same on both sides of focus; colours and
    spherical aberration are each filter's own.
    """
    shared = (alike(one, other) + alike(one, -other)) / 2
    own = (of_one[:, None] == of_other) * alike(one, other)
    return np.asarray(_COMMON**2 + _LACK**2 * (shared + own))


def _residuals(
    equipment: Equipment, frames: Sequence[SweptFrame], name: str, grid: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Of a filter's frames: zones (n,), residuals of ln shape and ln seeing (n, A), sigmas (n,)."""
    places, rows, seeing, sigmas = [], [], [], []
    table = table_of(equipment, name, grid, _AIRS)
    for frame in frames:
        zones = _zones(equipment, frame)
        near = frame.filter == name and abs(zones) < _FURTHEST_ZONES
        if not (near and frame.radius_px > 0 and frame.shape > 0):
            continue
        seen, _, shape, _ = at_radius(table, math.log(frame.radius_px))
        u, model = (
            np.array([np.interp(zones, DEFOCUS_ZONES, row) for row in rows_of])
            for rows_of in (seen, shape)
        )
        places.append(zones)
        rows.append(math.log(frame.shape) - model)
        seeing.append(u)
        sigmas.append(frame.shape_sigma / frame.shape)
    by_air = (-1, _AIRS.size)
    return (
        np.array(places),
        np.array(rows).reshape(by_air),
        np.array(seeing).reshape(by_air),
        np.array(sigmas),
    )


def equipment_from_setup(setup: Setup, filters: Sequence[str]) -> Equipment:
    """Equipment from figures alone: a lens without faults, its doubts left to the priors.

    Parameters
    ----------
    setup : Setup
    filters : sequence of str
        Those of the night.

    Returns
    -------
    Equipment
        Without offsets; ``assumed`` says what had to be.

    Examples
    --------
    >>> from starsize import load_setup
    >>> equipment_from_setup(load_setup("setup.toml"), ["L", "Ha"]).assumed  # doctest: +SKIP
    """
    ratio, pixel = setup.telescope.focal_ratio, setup.camera.pixel_um
    assumed = ""
    if ratio is None or pixel is None:
        assumed = (
            "focal length, aperture or pixel size are not known: f/6 and pixels of 3.8 um were "
            "assumed; state them in the setup file"
        )
    ratio, known_pixel = ratio or _ASSUMED_RATIO, pixel or _ASSUMED_PIXEL_UM
    size = ratio / known_pixel
    zone_px = MIDDLE_UM * size
    step = setup.focuser.um_per_step
    zone_um = 2 * MIDDLE_UM * ratio**2 * (setup.telescope.focus_scale or 1.0)
    per_degC, sigma = setup.focuser.steps_per_degC, setup.focuser.steps_per_degC_sigma
    return Equipment(
        shapes={name: _clear_star(setup, name, size) for name in filters},
        best_px=dict.fromkeys(filters, 0.0),
        zone_px=zone_px,
        zone_steps=zone_um / step if step and not assumed else math.nan,
        per_degC=NOT_KNOWN if per_degC is None else Estimate(per_degC, sigma or math.nan),
        arcsec_per_px=_arcsec_per_px(setup),
        assumed=assumed,
    )


def _clear_star(setup: Setup, name: str, size: float) -> tuple[float, ...]:
    """Numbers of a star of a faultless telescope, as `star_radius` takes them."""
    band = setup.band(name)
    wavelength, width = (band.wavelength_nm, band.width_nm) if band else (550.0, 300.0)
    hole = setup.telescope.obstruction
    return (hole, wavelength, width, size, 1.0, 0.0, 2.0, *(0.0,) * 3, 5 / 3, *(0.0,) * 6)
