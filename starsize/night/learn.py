"""The telescope as sweeps have shown it (star by filter, air, what the shape lacks), or figures."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.optimize import least_squares

from ..curves.fitted import COLOUR, STAR, CurveFit
from ..curves.statistics import PRIORS as CURVE_PRIORS
from ..estimate import NOT_KNOWN, Estimate
from ..setup import Setup, given_setup
from .course import alike, along_and_apart
from .model import DEFOCUS_ZONES, PRIORS
from .observed import Exposure, column
from .telescope import Equipment, Field, reading, slopes_over, star_table

_MIDDLE_UM = 0.55
_ARCSEC_PER_RADIAN = 206264.806
_ASSUMED_RATIO, _ASSUMED_PIXEL_UM = 6.0, 3.8
_AIRS = np.linspace(1.5, 1.95, 10)
_FURTHEST_ZONES = 5.0
_LEAST_FRAMES, _LEAST_FIELD_FRAMES = 4, 7
#: Shares of the fitted colour that the lens may really have; the first where no shapes tell.
_COLOURS = (1.0, 0.5, 0.0)
#: What the modelled ln shape lacks: a common part, and parts that change with defocus.
_COMMON, _LACK = 0.02, 0.01
#: Scatter of shapes from frame to frame that is tried, over the expected one, and its doubt in ln;
#: the same of the lack, for lenses differ.
_SCATTERS, _SCATTER_LOG = np.geomspace(0.25, 2.0, 7), 0.7
_SIZES, _SIZE_LOG = np.geomspace(0.25, 2.0, 4), 1.0
#: By how much in ln a filter's star may need other seeing than its sweep was fitted with: drawn
#: lenses and mirrors need 0.08 at most; a colour that is not the lens', or a halo beyond the circle
#: of the sweeps' radii, more than 0.3 in some filter.
_OTHER_SEEING = 0.15
#: The air of another night.
_OTHER_NIGHT = 0.025
#: A field counts from so many sigma on.
_SURE = 5.0
#: Least scatter of slopes from frame to frame, and the most that a field bends, zones.
_WOBBLE, _MOST_ZONES = 0.004, 6.0
#: Share by which the star of wave optics makes too little or too much of a field (measured on
#: drawn tilted and curved fields).
_STAR_SHARE = 0.03


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
    known = {fit.curve.filter: fit for fit in stars}  # in their order, then the surest of each
    known |= {f.curve.filter: f for f in sorted(stars, key=lambda fit: -fit.best_sigma_steps)}
    first = next(iter(known.values())).shape
    zone_px = _MIDDLE_UM * first[3]
    # Without spherical aberration and spread, which curves of radii can hardly tell from one
    # another and from the wings of the air: taken for true they would mislead the shape under
    # other seeing. Shapes tell what they do to it.
    plain = {name: (*fit.shape[:8], 0.0, 0.0, *fit.shape[10:]) for name, fit in known.items()}
    return Equipment(
        shapes=plain,
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


def learn_shape(equipment: Equipment, frames: Sequence[Exposure]) -> Equipment:
    """Let the shapes of sweeps' frames tell colour and air, and what the modelled shape lacks.

    Positions of the frames are counted from best focus. For each colour and air the frames leave
    residuals of ln shape. They are a smooth curve of the defocus for each filter (Gaussian process;
    Rasmussen & Williams 2006, eq. 2.23 to 2.25 and, for the evidence, 2.30 -- from memory) and
    noise; colour, air and how much the shapes scatter are those of most evidence. The curves are
    what the star of wave optics lacks: curves of radii know little of the two sides of focus,
    shapes do.
    """
    known = [one for one in frames if one.filter in equipment.shapes and one.hfr_px > 0]
    ways = [math.copysign(1.0, equipment.shapes[one.filter][4]) for one in known]
    zones = np.array(ways) * column(known, "position_steps") / equipment.zone_steps
    near = np.flatnonzero(np.abs(zones) < _FURTHEST_ZONES)
    frames, zones = [known[k] for k in near], zones[near]
    # Of a lens' colour curves of radii know so little that it may not be there at all: then it
    # would part the two sides of focus under other seeing.
    some = (1 - CURVE_PRIORS.plain) / (len(_COLOURS) - 1)
    tried = []
    for share in _COLOURS:
        shapes = {
            name: (*shape[:COLOUR], *(share * colour for colour in shape[COLOUR:]))
            for name, shape in equipment.shapes.items()
        }
        cost, learnt = _learnt(replace(equipment, shapes=shapes), zones, frames)
        tried.append((cost - 2 * math.log(some if share else CURVE_PRIORS.plain), learnt))
    best = min(tried, key=lambda one: one[0])[1]
    sloped = [k for k, one in enumerate(frames) if one.slopes]
    return replace(best, field=_field(best, zones[sloped], [frames[k] for k in sloped]))


def _at_frames(
    equipment: Equipment, zones: np.ndarray, frames: Sequence[Exposure], airs: np.ndarray
) -> np.ndarray:
    """Seeing that makes each frame's radius at its defocus, and ln shape there, (n, 2, A)."""
    tables = {name: star_table(equipment, name, airs) for name in {f.filter for f in frames}}
    found = []
    for read, one in zip(reading(DEFOCUS_ZONES, zones), frames, strict=True):
        seeing, _, shape, _ = tables[one.filter].at_radius(math.log(one.hfr_px))
        found.append([seeing @ read, shape @ read])
    return np.array(found)


def _learnt(
    equipment: Equipment, zones: np.ndarray, frames: Sequence[Exposure]
) -> tuple[float, Equipment]:
    """What frames tell of a lens: -2 ln of the evidence, and the equipment with it."""
    if not frames:
        return math.inf, equipment
    seeing, model = _at_frames(equipment, zones, frames, _AIRS).transpose(1, 0, 2)
    filters = [one.filter if one.shape > 0 else "" for one in frames]
    unlike, names = [], []
    for name in filter(filters.count, equipment.shapes):
        own = seeing[np.array(filters) == name, _AIRS.size // 2]
        if abs(np.median(own) - math.log(equipment.shapes[name][6])) > _OTHER_SEEING:
            unlike.append(name)
        elif own.size >= _LEAST_FRAMES:
            names.append(name)
    equipment = replace(equipment, unlike=tuple(unlike))
    if not names:
        return math.inf, equipment
    mine = [k for k, own in enumerate(filters) if own in names]
    frames, zones, seeing = [frames[k] for k in mine], zones[mine], seeing[mine]
    which = np.array([names.index(one.filter) for one in frames])
    sigmas = column(frames, "shape_sigma") / column(frames, "shape")
    rows = np.log(column(frames, "shape"))[:, None] - model[mine]
    smooth = _covariance(zones, which, zones, which)
    before = ((_AIRS - PRIORS.air) / (2 * PRIORS.air_sigma)) ** 2
    tried = []
    for size, times in itertools.product(_SIZES, _SCATTERS):
        inner = size**2 * smooth + np.diag(times**2 * (sigmas**2 + PRIORS.wobble**2))
        pulled = np.linalg.solve(inner, rows)
        cost = before + np.einsum("na,na->a", rows, pulled) + np.linalg.slogdet(inner)[1]
        cost += (math.log(times) / _SCATTER_LOG) ** 2 + (math.log(size) / _SIZE_LOG) ** 2
        tried.append((cost, size, inner, pulled))
    cost, size, inner, pulled = min(tried, key=lambda one: float(one[0].min()))
    at = int(np.argmin(cost))
    weights = np.exp(-0.5 * (cost - cost[at]))
    sigma = math.sqrt(float(np.average((_AIRS - _AIRS[at]) ** 2, weights=weights)))
    many = len(names), DEFOCUS_ZONES.size
    everywhere = np.tile(DEFOCUS_ZONES, many[0]), np.repeat(np.arange(many[0]), many[1])
    cross = size**2 * _covariance(*everywhere, zones, which)
    left = size**2 * _covariance(*everywhere, *everywhere)
    left = (left - cross @ np.linalg.solve(inner, cross.T)).reshape(*many, *many)
    bias = (cross @ pulled[:, at]).reshape(many)
    # How far the lack of each filter, over the defoci that were swept, is from that of the mean.
    each_own = np.einsum("fdgd->fgd", left)[:, :, np.abs(DEFOCUS_ZONES) < _FURTHEST_ZONES].mean(2)
    centred = np.eye(len(names)) - 1 / len(names)
    differs = np.sqrt(np.maximum(np.diag(centred @ each_own @ centred.T), 0.0))
    learnt = replace(
        equipment,
        air=Estimate(float(_AIRS[at]), math.hypot(sigma, _OTHER_NIGHT)),
        shape_bias=dict(zip(names, bias, strict=True)),
        shape_lack={name: along_and_apart(left[k, :, k]) for k, name in enumerate(names)},
        shape_differs=dict(zip(names, differs, strict=True)),
        lack_by_seeing=PRIORS.lack_by_seeing * float(size),
        swept_seeing={n: float(seeing[which == k, at].mean()) for k, n in enumerate(names)},
    )
    # Frames that are left out have a density of 1 in ln shape: they show anything at all.
    return float(cost[at]) + len(mine) * math.log(2 * math.pi), learnt


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


def _field(equipment: Equipment, zones: np.ndarray, frames: Sequence[Exposure]) -> Field | None:
    """Tilt and curvature as the slopes of the sweeps' frames show them; None if insignificant."""
    if len(frames) < _LEAST_FIELD_FRAMES:
        return None
    air = np.array([equipment.air.value if equipment.air.is_known else PRIORS.air])
    kinds, which = np.unique(column(frames, "filter"), return_inverse=True)
    tables = [star_table(equipment, name, air) for name in kinds.tolist()]
    seeing = _at_frames(equipment, zones, frames, air)[:, 0, 0]
    radius = np.array(
        [
            tables[k].log_radius[0] @ reading(tables[k].log_seeing, v)
            for k, v in zip(which, seeing, strict=True)
        ]
    )
    slopes, at_zones = column(frames, "slopes"), reading(DEFOCUS_ZONES, zones)
    wide = np.hypot(column(frames, "slopes_sigma"), _WOBBLE)

    def own_and_left(field: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        made = slopes_over(radius, field)
        left = slopes - np.einsum("nd,nds->ns", at_zones, made)
        own = np.stack([np.average(left[which == k], axis=0, weights=wide[which == k] ** -2.0)
                        for k in range(len(kinds))])  # fmt: skip
        return own, (left - own[which]) / wide

    def misses(field: np.ndarray) -> np.ndarray:
        return own_and_left(field)[1].ravel()

    bounds = (-_MOST_ZONES, _MOST_ZONES)
    found = least_squares(misses, np.full(3, 0.1), bounds=bounds, loss="soft_l1")
    own, left = own_and_left(found.x)
    more = np.maximum(np.median(np.abs(left), axis=0) / 0.6745, 1.0)
    pull = np.asarray(found.jac) @ found.x
    turns = float(np.linalg.norm(pull) / np.sqrt(np.mean(more**2)))
    if turns < _SURE:
        return None
    return Field(
        zones=found.x,
        relative=math.hypot(1 / turns, _STAR_SHARE),
        own=dict(zip(kinds.tolist(), own, strict=True)),
        scatter=np.sqrt((more**2 - 1) * np.median(wide, axis=0) ** 2 + _WOBBLE**2),
    )


def band_of(setup: Setup, name: str) -> tuple[float, float]:
    """Wavelength and width of a filter's band, nm; of about all light where it is not known."""
    band = setup.band(name)
    return (band.wavelength_nm, band.width_nm) if band else (550.0, 300.0)


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
    ratio = ratio or _ASSUMED_RATIO
    size = ratio / (pixel or _ASSUMED_PIXEL_UM)
    step = setup.focuser.um_per_step
    zone_um = 2 * _MIDDLE_UM * ratio**2 * (setup.telescope.focus_scale or 1.0)
    per_degC, sigma = setup.focuser.steps_per_degC, setup.focuser.steps_per_degC_sigma
    # A star of a faultless telescope, as `star_radius` takes it.
    rest = (size, 1.0, 0.0, 2.0, *(0.0,) * 3, 5 / 3, *(0.0,) * 6)
    hole = setup.telescope.obstruction
    return Equipment(
        shapes={n: (hole, *band_of(setup, n), *rest) for n in filters},
        shape_differs=dict.fromkeys(filters, PRIORS.lack_differs_mirror) if hole > 0 else {},
        zone_px=_MIDDLE_UM * size,
        zone_steps=zone_um / step if step and not assumed else math.nan,
        per_degC=NOT_KNOWN if per_degC is None else Estimate(per_degC, sigma or math.nan),
        arcsec_per_px=_arcsec_per_px(setup),
        assumed=assumed,
    )
