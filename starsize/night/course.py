"""From exposures to steps and nodes of the chain."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from ..estimate import Estimate
from .chain import Chain, Nodes, Seen, Step
from .emission import at_radius, likelihood
from .model import DEFOCUS_ZONES, PRIORS
from .observed import Exposure
from .telescope import Equipment, StarTable, seeing_grid, star_table

#: Nodes of the coefficient and of the star's z, in their prior's sigmas. Frames in focus tell z to
#: a twentieth of it.
_COEFFICIENTS = np.linspace(-2.1, 2.1, 9)
_STARS = np.linspace(-2.1, 2.1, 29)
#: Nodes of w and their ln weights: a night tells it little, so that those of Gauss and Hermite do.
_SIDES = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
_SIDE_WEIGHTS = np.log([1 / 6, 2 / 3, 1 / 6])
#: How far in zones what a shape lacks goes along.
_SMOOTH_ZONES = 2.0
_HOURS = 24.0
_UNTIMED_HOURS = 0.1
_NEW_EVENING = 6.0
#: What a block of four frames through one filter shares is counted as if it were of each frame.
_BLOCK = 2.0
#: ln shape beyond that of any focus from which on a lens has colour: drawn lenses with colour have
#: 0.15 to 0.5 through some of their filters, those without and mirrors 0.02 at most.
_COLOURED = 0.06


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A telescope's night, ready to be followed: the chain, the star tables by filter, the nodes.

    ``sides`` stars in a row differ in the sides of focus alone (`doubted`); ``by_degree`` says
    whether the coefficient is one of temperature (else of hours); its nodes are
    ``coefficient_cell`` apart; ``elongation`` is that of the night's better frames. The offset of
    the filter in ``question`` may be off by each of ``tried``, those of others by what is
    ``settled``, zones. Through ``untold`` filters frames tell nothing of focus (`untold_filters`).
    """

    equipment: Equipment
    chain: Chain
    tables: dict[str, StarTable]
    sides: int
    nodes: Nodes
    by_degree: bool
    coefficient_cell: float
    elongation: float
    untold: tuple[str, ...] = ()
    question: str = ""
    tried: np.ndarray | None = None
    settled: Mapping[str, float] = field(default_factory=dict)


def prepare_course(exposures: Sequence[Exposure], equipment: Equipment) -> Course:
    """Tabulate the stars of a night's filters and lay out what is averaged over."""
    log_seeing = seeing_grid(equipment.arcsec_per_px)
    known = equipment.air
    air = known if known.is_known else Estimate(PRIORS.air, PRIORS.air_sigma)
    warm = [e.temperature_degC for e in exposures if math.isfinite(e.temperature_degC)]
    by_degree = len(warm) > 0.8 * len(exposures)
    mean, sigma = coefficient_prior(equipment, by_degree=by_degree)
    z, side, coefficient = (
        grid.ravel() for grid in np.meshgrid(_STARS, _SIDE_WEIGHTS, _COEFFICIENTS, indexing="ij")
    )
    stars, sides = len(_STARS) * len(_SIDES), len(_SIDES)
    nodes = Nodes(
        (mean + sigma * coefficient)[:, None],
        np.repeat(np.arange(stars), len(_COEFFICIENTS)),
        np.zeros(len(z)),
        side - 0.5 * (z**2 + coefficient**2),
    )
    tables = {
        name: doubted(
            star_table(equipment, name, log_seeing, air.value + air.sigma * _STARS),
            shape_lack(equipment, name, log_seeing),
            _SIDES,
        )
        for name in sorted({e.filter for e in exposures})
    }
    tilt = equipment.field
    if tilt is not None and any(e.slopes for e in exposures):
        tables = {name: table.in_field(tilt, name) for name, table in tables.items()}
        sides, nodes = 2 * sides, nodes.doubled(PRIORS.camera_moved)
    return Course(
        equipment=equipment,
        chain=Chain(log_seeing, equipment.arcsec_per_px, PRIORS),
        tables=tables,
        sides=sides,
        nodes=nodes,
        by_degree=by_degree,
        coefficient_cell=sigma * float(_COEFFICIENTS[1] - _COEFFICIENTS[0]),
        elongation=usual_elongation(exposures),
        untold=untold_filters(equipment, tables, exposures),
    )


def alike(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """How far what a shape lacks goes along from one defocus to another, zones: 1 to 0."""
    gap = (one[:, None] - other) / _SMOOTH_ZONES
    return np.asarray(np.exp(-0.5 * gap * gap))


def along_and_apart(covariance: np.ndarray) -> np.ndarray:
    """Sigmas of a curve on ``DEFOCUS_ZONES``, (2, D): what goes along with focus, what is left."""
    # Given b(0) a normal b(d) has a mean of C(d, 0) / C(0, 0) b(0) and a variance of
    # C(d, d) - C(d, 0)^2 / C(0, 0).
    focus = DEFOCUS_ZONES.size // 2
    along = covariance[:, focus] / np.sqrt(covariance[focus, focus])
    left = np.maximum(np.diag(covariance) - along**2, 0.0)
    return np.stack([np.abs(along), np.sqrt(left)])


def shape_lack(equipment: Equipment, name: str, log_seeing: np.ndarray) -> np.ndarray:
    """How well a filter's modelled ln shape is known, along with focus and apart, (2, D, V)."""
    share = along_and_apart(alike(DEFOCUS_ZONES, DEFOCUS_ZONES))
    if name not in equipment.shape_lack:
        return np.repeat(PRIORS.lack * share[:, :, None], log_seeing.size, axis=2)
    away = PRIORS.lack_by_seeing * (log_seeing - equipment.swept_seeing[name])
    return np.hypot(equipment.shape_lack[name][:, :, None], share[:, :, None] * away)


def doubted(table: StarTable, lack: np.ndarray, lopsided: np.ndarray) -> StarTable:
    """The stars of the airs moved by z as far as air and lack together may be off, and by w.

    Less steep air and a lack of the table both lift or lower the shape of all frames: of the two
    one number z is made. Each star takes each value of w, ``lopsided``.
    """
    middle = table.log_shape[len(_STARS) // 2]
    by_air = table.log_shape - middle
    way = math.copysign(1.0, float(by_air[-1].sum())) * np.sign(_STARS)[:, None, None]
    size = np.hypot(by_air, _STARS[:, None, None] * lack[0])
    apart = lopsided[:, None, None] * np.sign(DEFOCUS_ZONES)[:, None] * lack[1]
    shape = (middle + way * size)[:, None] + apart
    return replace(
        table,
        log_radius=np.repeat(table.log_radius, len(lopsided), axis=0),
        log_shape=shape.reshape(-1, *middle.shape),
    )


def coefficient_prior(equipment: Equipment, *, by_degree: bool) -> tuple[float, float]:
    """Zones per degree (or hour) that focus moves, and how well that is known beforehand."""
    if not by_degree:
        return 0.0, PRIORS.per_hour_sigma
    known = equipment.per_degC
    if not (known.is_known and math.isfinite(equipment.zone_steps)):
        return PRIORS.per_degC, PRIORS.per_degC_sigma
    mean = known.value / equipment.zone_steps
    sigma = known.sigma / equipment.zone_steps if math.isfinite(known.sigma) else 0.3
    # Tube and focuser never do quite what they did on another night.
    return mean, float(np.hypot(sigma, 0.2))


def usual_elongation(exposures: Sequence[Exposure]) -> float:
    """Elongation of the night's better frames."""
    known = [e.elongation for e in exposures if math.isfinite(e.elongation)]
    return float(np.percentile(known, 30)) if known else 1.0


def untold_filters(
    equipment: Equipment, tables: Mapping[str, StarTable], exposures: Sequence[Exposure]
) -> tuple[str, ...]:
    """Filters that no sweep has shown, if stars of some are of no focus but of a lens' colour."""
    # The halo of a colour that is not brought to focus lifts the shape; defocus lowers it.
    beyond: dict[str, list[float]] = {}
    for one in exposures:
        if one.filter not in equipment.shape_lack and one.shape > 0 and one.hfr_px > 0:
            table = tables[one.filter]
            middle = table.of_stars(np.array([len(table.log_shape) // 2]))
            shape = at_radius(middle, math.log(one.hfr_px))[2]
            beyond.setdefault(one.filter, []).append(math.log(one.shape) - float(shape.max()))
    coloured = any(np.median(more) > _COLOURED for more in beyond.values())
    return tuple(sorted(beyond)) if coloured else ()


def seen_frame(course: Course, one: Exposure) -> Seen:
    """An exposure as the chain takes it."""
    if one.filter in course.untold:
        return Seen(None)
    differs = course.equipment.shape_differs.get(one.filter, PRIORS.lack_differs)
    found = likelihood(
        one, course.tables[one.filter], elongation=course.elongation, lack=_BLOCK * differs
    )
    return Seen(found, one.filter == course.question, course.settled.get(one.filter, 0.0))


def steps_between(course: Course, exposures: Sequence[Exposure]) -> list[Step]:
    """What lies between each exposure and the one before it; the first entry stands for nothing."""
    return [Step(), *(_step(course, *pair) for pair in pairwise(exposures))]


def _step(course: Course, before: Exposure, after: Exposure) -> Step:
    equipment = course.equipment
    hours = 24 * (after.time_mjd - before.time_mjd)
    hours = float(np.clip(hours, 0.0, _HOURS)) if math.isfinite(hours) else _UNTIMED_HOURS
    if hours > _NEW_EVENING:
        # Another night: somebody has focused, and what was is of no account but for the table.
        return Step(hours=hours, refocus=1 - PRIORS.start_anyhow)
    warmed = after.temperature_degC - before.temperature_degC if course.by_degree else hours
    warmed = warmed if math.isfinite(warmed) else 0.0
    moved = (after.position_steps - before.position_steps) / equipment.zone_steps
    changed = before.filter != after.filter
    move, sigma, refocus = 0.0, 0.0, PRIORS.refocus_chance
    if math.isfinite(moved):
        refocus = 0.0
        told = _told_move(equipment, before.filter, after.filter)
        if told is not None:
            move = moved - told.value
            sigma = math.hypot(told.sigma, PRIORS.change_zones) if changed else 0.0
        elif changed:
            # Nobody but the person knows the offset; the move is taken for it.
            sigma, refocus = PRIORS.untold_change_zones, PRIORS.refocus_chance
        if abs(move) > 1:
            refocus = PRIORS.moved_refocus
    elif changed:
        sigma = PRIORS.change_zones
    return Step(hours=hours, changed=(warmed,), move_zones=move, move_sigma=sigma, refocus=refocus)


def _told_move(equipment: Equipment, before: str, after: str) -> Estimate | None:
    """How far the table moves from one filter to the other, zones; None where it does not say."""
    if before == after:
        return Estimate(0.0, 0.0)
    table = equipment.offset_steps
    if before not in table or after not in table:
        return None
    zone = equipment.zone_steps
    sigma = math.hypot(table[before].sigma, table[after].sigma) / zone
    gap = (table[after].value - table[before].value) / zone
    return Estimate(gap, 0.0 if math.isnan(sigma) else sigma)
