"""The telescope as sweeps have shown it: star by filter, air, and what the shape lacks."""

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..curves.fitted import CurveFit
from ..curves.prediction import COLOUR, STAR
from ..curves.statistics import PRIORS as CURVE_PRIORS
from ..estimate import NOT_KNOWN, Estimate
from ..setup import Setup, given_setup
from .course import alike, along_and_apart
from .emission import at_radius
from .field import Field, learn_field
from .model import DEFOCUS_ZONES, PRIORS
from .observed import Exposure
from .telescope import Equipment, StarTable, seeing_grid, star_table

_MIDDLE_UM = 0.55
_ARCSEC_PER_RADIAN = 206264.806
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
    zone_px = _MIDDLE_UM * first[3]
    return Equipment(
        shapes={name: _plain(fit.shape) for name, fit in chosen.items()},
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
    return _ARCSEC_PER_RADIAN * pixel * 1e-3 / focal if focal and pixel else math.nan


def _plain(shape: tuple[float, ...]) -> tuple[float, ...]:
    """The star without what curves of radii can hardly tell from one another."""
    # Spherical aberration and spread make up for each other and for the wings of the air; taken
    # for true they would mislead the shape under other seeing. Shapes tell what they do to it.
    return (*shape[:8], 0.0, 0.0, *shape[10:])


def learn_shape(equipment: Equipment, frames: Sequence[Exposure]) -> Equipment:
    """Let the shapes of sweeps' frames tell colour and air, and what the modelled shape lacks.

    Positions of the frames are counted from best focus. For each colour and air the frames leave
    residuals of ln shape. They are a smooth curve of the defocus for each filter (Gaussian process;
    Rasmussen & Williams 2006, eq. 2.23 to 2.25 and, for the evidence, 2.30 -- from memory) and
    noise; colour, air and how much the shapes scatter are those of most evidence. The curves are
    what the star of wave optics lacks: curves of radii know little of the two sides of focus,
    shapes do.
    """
    near = _near_focus(equipment, frames)
    # Of a lens' colour curves of radii know so little that it may not be there at all: then it
    # would part the two sides of focus under other seeing.
    some = (1 - CURVE_PRIORS.plain) / (len(_COLOURS) - 1)
    tried = []
    for share in _COLOURS:
        cost, learnt = _learnt(_coloured(equipment, share), near)
        tried.append((cost - 2 * math.log(some if share else CURVE_PRIORS.plain), learnt))
    best = min(tried, key=lambda one: one[0])[1]
    return replace(best, field=_field(best, [one for one in near if one[1].slopes]))


_Placed = tuple[float, Exposure]
"""Defocus in zones, and the frame."""


def _near_focus(equipment: Equipment, frames: Sequence[Exposure]) -> list[_Placed]:
    """The frames of known filters that are near focus."""
    known = [f for f in frames if f.filter in equipment.shapes and f.hfr_px > 0]
    ways = [math.copysign(1.0, equipment.shapes[f.filter][4]) for f in known]
    zones = [w * f.position_steps / equipment.zone_steps for w, f in zip(ways, known, strict=True)]
    return [one for one in zip(zones, known, strict=True) if abs(one[0]) < _FURTHEST_ZONES]


def _at_frame(table: StarTable, one: _Placed) -> tuple[np.ndarray, np.ndarray]:
    """Seeing that makes a frame's radius at its defocus, and ln shape there, for each star."""
    seen, _, shape, _ = at_radius(table, math.log(one[1].hfr_px))
    seeing, model = (
        np.array([np.interp(one[0], DEFOCUS_ZONES, row) for row in rows]) for rows in (seen, shape)
    )
    return seeing, model


def _field(equipment: Equipment, near: Sequence[_Placed]) -> Field | None:
    """Tilt and curvature as the slopes of the sweeps' frames show them."""
    if not near:
        return None
    grid = seeing_grid(equipment.arcsec_per_px)
    air = np.array([equipment.air.value if equipment.air.is_known else PRIORS.air])
    tables = {name: star_table(equipment, name, grid, air) for name in equipment.shapes}
    rows = []
    for one in near:
        table = tables[one[1].filter]
        u = _at_frame(table, one)[0]
        rows.append([np.interp(u[0], grid, row) for row in table.log_radius[0]])
    zones, frames = zip(*near, strict=True)
    return learn_field(
        [frame.filter for frame in frames],
        np.array(zones),
        np.array(rows),
        np.array([frame.slopes for frame in frames]),
        np.array([frame.slopes_sigma for frame in frames]),
    )


def _coloured(equipment: Equipment, share: float) -> Equipment:
    """The telescope with a share of its lens' colour."""
    shapes = {
        name: (*shape[:COLOUR], *(share * colour for colour in shape[COLOUR:]))
        for name, shape in equipment.shapes.items()
    }
    return replace(equipment, shapes=shapes)


def _learnt(equipment: Equipment, near: Sequence[_Placed]) -> tuple[float, Equipment]:
    """What frames tell of a lens: -2 ln of the evidence, and the equipment with it."""
    grid = seeing_grid(equipment.arcsec_per_px)
    shaped = [one for one in near if one[1].shape > 0]
    many = Counter(frame.filter for _, frame in shaped)
    names = [name for name in equipment.shapes if many[name] >= _LEAST_FRAMES]
    if not names:
        return math.inf, equipment
    mine = [one for name in names for one in shaped if one[1].filter == name]
    which = np.repeat(np.arange(len(names)), [many[name] for name in names])
    zones = np.array([place for place, _ in mine])
    sigmas = np.array([frame.shape_sigma / frame.shape for _, frame in mine])
    tables = {name: star_table(equipment, name, grid, _AIRS) for name in names}
    placed = [_at_frame(tables[one[1].filter], one) for one in mine]
    seeing, model = (np.array(part) for part in zip(*placed, strict=True))
    rows = np.array([[math.log(frame.shape)] for _, frame in mine]) - model
    smooth = _covariance(zones, which, zones, which)
    before = ((_AIRS - PRIORS.air) / (2 * PRIORS.air_sigma)) ** 2
    tried = []
    for times in _SCATTERS:
        inner = smooth + np.diag(times**2 * (sigmas**2 + PRIORS.wobble**2))
        pulled = np.linalg.solve(inner, rows)
        cost = before + np.einsum("na,na->a", rows, pulled) + np.linalg.slogdet(inner)[1]
        tried.append((cost + (math.log(times) / _SCATTER_LOG) ** 2, inner, pulled))
    cost, inner, pulled = min(tried, key=lambda one: float(one[0].min()))
    at = int(np.argmin(cost))
    weights = np.exp(-0.5 * (cost - cost[at]))
    sigma = math.sqrt(float(np.average((_AIRS - _AIRS[at]) ** 2, weights=weights)))
    size = len(names), DEFOCUS_ZONES.size
    everywhere = np.tile(DEFOCUS_ZONES, size[0]), np.repeat(np.arange(size[0]), size[1])
    cross = _covariance(*everywhere, zones, which)
    left = _covariance(*everywhere, *everywhere) - cross @ np.linalg.solve(inner, cross.T)
    left = left.reshape(*size, *size)
    bias = (cross @ pulled[:, at]).reshape(size)
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
    setup = given_setup(setup)
    ratio, pixel = setup.telescope.focal_ratio, setup.camera.pixel_um
    assumed = ""
    if ratio is None or pixel is None:
        assumed = (
            "focal length, aperture or pixel size are not known: f/6 and pixels of 3.8 um were "
            "assumed; state them in the setup file"
        )
    ratio, known_pixel = ratio or _ASSUMED_RATIO, pixel or _ASSUMED_PIXEL_UM
    size = ratio / known_pixel
    zone_px = _MIDDLE_UM * size
    step = setup.focuser.um_per_step
    zone_um = 2 * _MIDDLE_UM * ratio**2 * (setup.telescope.focus_scale or 1.0)
    per_degC, sigma = setup.focuser.steps_per_degC, setup.focuser.steps_per_degC_sigma
    return Equipment(
        shapes={name: _clear_star(setup, name, size) for name in filters},
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
