"""From exposures to steps and nodes of the chain."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..estimate import Estimate
from .chain import Chain, Nodes, Seen, Step
from .emission import likelihood
from .equipment import Equipment
from .model import DEFOCUS_ZONES, LOG_STEP, NightPriors
from .observed import Exposure
from .table import StarTable, star_table

#: Nodes of the coefficient and of the star's z, in their prior's sigmas. Frames in focus tell z to
#: a twentieth of it.
_COEFFICIENTS = np.linspace(-2.1, 2.1, 9)
_STARS = np.linspace(-2.1, 2.1, 29)
#: Nodes of w and their ln weights: a night tells it little, so that those of Gauss and Hermite do.
_SIDES = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
_SIDE_WEIGHTS = np.log([1 / 6, 2 / 3, 1 / 6])
#: How far in zones what a shape lacks goes along.
_SMOOTH_ZONES = 2.0
_FINEST_ARCSEC, _COARSEST_ARCSEC = 0.6, 9.0
_FINEST_PX, _COARSEST_PX = 0.6, 14.0
_HOURS = 24.0
NONE: Mapping[str, float] = {}
_UNTIMED_HOURS = 0.1
_NEW_EVENING = 6.0
#: What a block of four frames through one filter shares is counted as if it were of each frame.
_BLOCK = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """A telescope's night, ready to be followed: the chain, the star tables by filter, the nodes.

    ``tables`` are by filter, with a star for each air of ``airs`` (A,) and what the shape lacks
    (`doubted`); ``by_degree`` says whether the coefficient is one of temperature (else of hours);
    its nodes are ``coefficient_cell`` apart.
    """

    equipment: Equipment
    chain: Chain
    tables: dict[str, StarTable]
    airs: np.ndarray
    nodes: Nodes
    by_degree: bool
    coefficient_cell: float
    elongation: float

    @property
    def priors(self) -> NightPriors:
        """Of the chain."""
        return self.chain.priors


def prepare_course(
    exposures: Sequence[Exposure],
    equipment: Equipment,
    *,
    priors: NightPriors = NightPriors(),  # noqa: B008 -- frozen, so it can be shared
) -> Course:
    """Tabulate the stars of a night's filters and lay out what is averaged over."""
    log_seeing = seeing_grid(equipment.arcsec_per_px)
    air = equipment.air.value if equipment.air.is_known else priors.air
    air_sigma = equipment.air.sigma if equipment.air.is_known else priors.air_sigma
    airs = air + air_sigma * _STARS
    warm = [e.temperature_degC for e in exposures if math.isfinite(e.temperature_degC)]
    by_degree = len(warm) > 0.8 * len(exposures)
    mean, sigma = coefficient_prior(equipment, priors, by_degree=by_degree)
    z, side, coefficient = (
        grid.ravel() for grid in np.meshgrid(_STARS, _SIDE_WEIGHTS, _COEFFICIENTS, indexing="ij")
    )
    nodes = Nodes(
        (mean + sigma * coefficient)[:, None],
        np.repeat(np.arange(len(airs) * len(_SIDES)), len(_COEFFICIENTS)),
        np.zeros(len(z)),
        side - 0.5 * (z**2 + coefficient**2),
    )
    tables = {
        name: doubted(
            table_of(equipment, name, log_seeing, airs),
            shape_lack(equipment, name, log_seeing, priors),
            _SIDES,
        )
        for name in sorted({e.filter for e in exposures})
    }
    airs = np.repeat(airs, len(_SIDES))
    field = equipment.field
    if field is not None and any(e.slopes for e in exposures):
        tables = {name: table.in_field(field, name) for name, table in tables.items()}
        airs, nodes = np.repeat(airs, 2), nodes.doubled(priors.camera_moved)
    return Course(
        equipment=equipment,
        chain=Chain(log_seeing, equipment.arcsec_per_px, priors),
        tables=tables,
        airs=airs,
        nodes=nodes,
        by_degree=by_degree,
        coefficient_cell=sigma * float(_COEFFICIENTS[1] - _COEFFICIENTS[0]),
        elongation=usual_elongation(exposures),
    )


def seeing_grid(arcsec_per_px: float) -> np.ndarray:
    """Grid of ln seeing in pixels."""
    low, high = _FINEST_PX, _COARSEST_PX
    if math.isfinite(arcsec_per_px):
        low = max(_FINEST_ARCSEC / arcsec_per_px, 0.4)
        high = max(_COARSEST_ARCSEC / arcsec_per_px, 4 * low)
    count = math.ceil(math.log(high / low) / LOG_STEP)
    return np.linspace(math.log(low), math.log(high), count + 1)


def table_of(
    equipment: Equipment, name: str, log_seeing: np.ndarray, airs: np.ndarray
) -> StarTable:
    """Table of a filter's star for the airs of the model."""
    known = star_table(equipment, name, log_seeing)
    each = [known.at_air(air) for air in airs]
    return StarTable(
        log_seeing,
        np.concatenate([t.log_radius for t in each]),
        np.concatenate([t.log_shape for t in each]),
    )


def alike(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """How far what a shape lacks goes along from one defocus to another, zones: 1 to 0."""
    gap = (one[:, None] - other) / _SMOOTH_ZONES
    return np.asarray(np.exp(-0.5 * gap * gap))


def along_and_apart(covariance: np.ndarray) -> np.ndarray:
    """Sigmas of a curve on ``DEFOCUS_ZONES``, (2, D): what goes along with focus, and what is left.

    Of a normal distribution b(d) given b(0) has a mean that follows C(d, 0) / C(0, 0) b(0) and a
    variance of C(d, d) - C(d, 0)^2 / C(0, 0); the squares of the two add up to C(d, d).
    """
    focus = DEFOCUS_ZONES.size // 2
    along = covariance[:, focus] / np.sqrt(covariance[focus, focus])
    left = np.maximum(np.diag(covariance) - along**2, 0.0)
    return np.stack([np.abs(along), np.sqrt(left)])


def shape_lack(
    equipment: Equipment, name: str, log_seeing: np.ndarray, priors: NightPriors
) -> np.ndarray:
    """How well a filter's modelled ln shape is known, along with focus and apart, (2, D, V)."""
    share = along_and_apart(alike(DEFOCUS_ZONES, DEFOCUS_ZONES))
    if name not in equipment.shape_lack:
        return np.repeat(priors.lack * share[:, :, None], log_seeing.size, axis=2)
    away = priors.lack_by_seeing * (log_seeing - equipment.swept_seeing[name])
    return np.hypot(equipment.shape_lack[name][:, :, None], share[:, :, None] * away)


def doubted(table: StarTable, lack: np.ndarray, lopsided: np.ndarray) -> StarTable:
    """The stars of the airs moved by z as far as air and lack together may be off, and by w.

    Less steep air and a lack of the table both lift or lower the shape of all frames; of the two
    the one number z is made, so that the night can tell it and it counts once. What frames in focus
    do not tell of those out of it, either side's own, is w: a star for each value (``lopsided``).
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


def coefficient_prior(
    equipment: Equipment, priors: NightPriors, *, by_degree: bool
) -> tuple[float, float]:
    """Zones per degree (or hour) that focus moves, and how well that is known beforehand."""
    if not by_degree:
        return 0.0, priors.per_hour_sigma
    known = equipment.per_degC
    if not (known.is_known and math.isfinite(equipment.zone_steps)):
        return priors.per_degC, priors.per_degC_sigma
    mean = known.value / equipment.zone_steps
    sigma = known.sigma / equipment.zone_steps if math.isfinite(known.sigma) else 0.3
    # Tube and focuser never do quite what they did on another night.
    return mean, float(np.hypot(sigma, 0.2))


def usual_elongation(exposures: Sequence[Exposure]) -> float:
    """Elongation of the night's better frames."""
    known = [e.elongation for e in exposures if math.isfinite(e.elongation)]
    return float(np.percentile(known, 30)) if known else 1.0


def seen_frame(
    course: Course, one: Exposure, *, question: str = "", settled: Mapping[str, float] = NONE
) -> Seen:
    """An exposure as the chain takes it.

    The nodes vary the offset of the filter in ``question``; ``settled`` are errors of offsets that
    are settled, zones by filter.
    """
    found = likelihood(
        one,
        course.tables[one.filter],
        priors=course.priors,
        elongation=course.elongation,
        lack=_BLOCK * course.equipment.shape_differs.get(one.filter, course.priors.lack_differs),
    )
    return Seen(found, one.filter == question, settled.get(one.filter, 0.0))


def steps_between(course: Course, exposures: Sequence[Exposure]) -> list[Step]:
    """What lies between each exposure and the one before it; the first entry stands for nothing."""
    return [Step(), *(_step(course, *pair) for pair in pairwise(exposures))]


def _step(course: Course, before: Exposure, after: Exposure) -> Step:
    priors, equipment = course.priors, course.equipment
    hours = 24 * (after.time_mjd - before.time_mjd)
    hours = float(np.clip(hours, 0.0, _HOURS)) if math.isfinite(hours) else _UNTIMED_HOURS
    if hours > _NEW_EVENING:
        # Another night: somebody has focused, and what was is of no account but for the table.
        return Step(hours=hours, refocus=1 - priors.start_anyhow)
    warmed = after.temperature_degC - before.temperature_degC if course.by_degree else hours
    warmed = warmed if math.isfinite(warmed) else 0.0
    moved = (after.position_steps - before.position_steps) / equipment.zone_steps
    changed = before.filter != after.filter
    move, sigma, refocus = 0.0, 0.0, priors.refocus_chance
    if math.isfinite(moved):
        refocus = 0.0
        told = _told_move(equipment, before.filter, after.filter)
        if told is not None:
            move = moved - told.value
            sigma = math.hypot(told.sigma, priors.change_zones) if changed else 0.0
        elif changed:
            # Nobody but the person knows the offset; the move is taken for it.
            sigma, refocus = priors.untold_change_zones, priors.refocus_chance
        if abs(move) > 1:
            refocus = priors.moved_refocus
    elif changed:
        sigma = priors.change_zones
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
