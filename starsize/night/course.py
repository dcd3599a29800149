"""A telescope's night laid out for the chain: stars, nodes, frames and the steps between them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from .chain import Belief, Chain, Frame, Step
from .model import DEFOCUS_ZONES, PRIORS, STEP_ZONES
from .observed import Exposure, column
from .telescope import Equipment, StarTable, star_table

#: Nodes of the coefficient and of the star's z, in their prior's sigmas. Frames in focus tell z to
#: a twentieth of it.
_COEFFICIENTS = np.linspace(-2.1, 2.1, 9)
_STARS = np.linspace(-2.1, 2.1, 29)
#: Nodes of w and their ln weights: a night tells it little, so that those of Gauss and Hermite do.
_SIDES = np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
_SIDE_WEIGHTS = np.log([1 / 6, 2 / 3, 1 / 6])
#: How far in zones what a shape lacks goes along.
_SMOOTH_ZONES = 2.0
_HOURS, _UNTIMED_HOURS, _NEW_EVENING = 24.0, 0.1, 6.0
#: What a block of four frames through one filter shares is counted as if it were of each frame.
_BLOCK = 2.0
#: ln shape beyond that of any focus from which on a lens has colour: drawn lenses with colour have
#: 0.15 to 0.5 through some of their filters, those without and mirrors 0.02 at most.
_COLOURED = 0.06
#: What an elongation beyond the night's own may do to ln radius and ln shape, at most, and from
#: which on a frame is as likely wild as not.
_SMEAR_RADIUS, _SMEAR_SHAPE, _SMEARED_WILD = 0.5, 0.3, 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """A telescope's night, ready to be followed.

    ``limit`` is the growth, a fraction, that counts as loss; ``nodes`` hold what is believed before
    the first frame. ``sides`` stars in a row differ in the sides of focus alone (`doubted`). The
    coefficient is one of temperature if ``by_degree``, else of hours. ``elongation`` is that of the
    night's better frames; through ``untold`` filters frames tell nothing of focus. The offset of
    the filter in ``question`` may be off, those of others are off by what is ``settled``, zones.
    """

    equipment: Equipment
    exposures: tuple[Exposure, ...] = ()
    limit: float
    chain: Chain
    tables: Mapping[str, StarTable]
    sides: int
    nodes: Belief
    by_degree: bool
    elongation: float = 1.0
    untold: tuple[str, ...] = ()
    question: str = ""
    settled: Mapping[str, float] = field(default_factory=dict)

    def column(self, name: str) -> np.ndarray:
        """What the exposures have under a name."""
        return column(self.exposures, name)

    def of(self, exposures: Sequence[Exposure]) -> "Course":
        """The same telescope with these exposures."""
        known = column(exposures, "elongation")
        known = known[np.isfinite(known)]
        usual = float(np.percentile(known, 30)) if known.size else 1.0
        untold = _untold_filters(self.equipment, self.tables, exposures)
        return replace(self, exposures=tuple(exposures), elongation=usual, untold=untold)

    def coefficient(self, nodes: Belief, weights: np.ndarray) -> Estimate:
        """That of temperature or time by the weights of some nodes."""
        value = nodes.coefficient[:, 0]
        mean = float(weights @ value)
        # The grid's own cell counts too: a night may leave one node of it.
        cell = float(np.diff(np.unique(self.nodes.coefficient))[0])
        return Estimate(mean, math.sqrt(weights @ (value - mean) ** 2 + cell**2 / 12))

    def frames(self) -> list[Frame]:
        """The exposures as the chain takes them."""
        return [self.frame(one) for one in self.exposures]

    def frame(self, one: Exposure) -> Frame:
        """An exposure of this night as the chain takes it."""
        shown, wild = None, 0.0
        if one.filter not in self.untold and 0 < one.hfr_px < math.inf:
            excess = max(0.0, one.elongation - self.elongation)  # 0 where it is not known
            differs = self.equipment.shape_differs.get(one.filter, PRIORS.lack_differs)
            shown = _shown(one, self.tables[one.filter], excess, _BLOCK * differs)
            share = min(excess / _SMEARED_WILD, 1.0)
            odds = PRIORS.wild / (1 - PRIORS.wild) * math.exp(share * 3.9)
            wild = odds / (1 + odds)
        return Frame(
            shown=shown,
            wild=wild,
            in_question=one.filter == self.question,
            offset_zones=self.settled.get(one.filter, 0.0),
        )

    def steps(self) -> list[Step]:
        """What lies between each exposure and the one before; the first stands for nothing."""
        p, zone = PRIORS, self.equipment.zone_steps
        table = [self.equipment.offset_steps.get(e.filter, NOT_KNOWN) for e in self.exposures]
        offset, offset_sigma = column(table, "value"), column(table, "sigma")
        name = self.column("filter")
        changed = name[1:] != name[:-1]
        hours = 24 * np.diff(self.column("time_mjd"))
        hours = np.where(np.isfinite(hours), np.clip(hours, 0.0, _HOURS), _UNTIMED_HOURS)
        warmed = np.diff(self.column("temperature_degC")) if self.by_degree else hours
        moved = np.diff(self.column("position_steps")) / zone
        beyond = moved - np.where(changed, np.diff(offset) / zone, 0.0)
        told, move = np.isfinite(beyond), np.nan_to_num(beyond)
        by_table = np.nan_to_num(np.hypot(offset_sigma[1:], offset_sigma[:-1]) / zone)
        # Where no table tells, nobody but the person knows the offset; the move is taken for it.
        untold = np.where(np.isfinite(moved), p.untold_change_zones, p.change_zones)
        sigma = np.where(told, np.hypot(by_table, p.change_zones), untold) * changed
        refocus = np.where(told, np.where(np.abs(move) > 1, p.moved_refocus, 0), p.refocus_chance)
        # Another night: somebody has focused, and what was is of no account but for the table.
        same = hours <= _NEW_EVENING
        refocus = np.where(same, refocus, 1 - p.start_anyhow)
        known = np.stack([np.nan_to_num(warmed), move, sigma]) * same
        rows = np.stack([hours, *known, refocus]).T.tolist()
        return [Step(), *(Step(hours, (warmed,), *rest) for hours, warmed, *rest in rows)]


def prepare_course(
    exposures: Sequence[Exposure], equipment: Equipment, *, limit: float = 0.1
) -> Course:
    """Tabulate the stars of a night's filters and lay out what is averaged over."""
    air = equipment.air if equipment.air.is_known else Estimate(PRIORS.air, PRIORS.air_sigma)
    by_degree = bool(np.mean(np.isfinite(column(exposures, "temperature_degC"))) > 0.8)
    mean, sigma = coefficient_prior(equipment, by_degree=by_degree)
    tilt = equipment.field if any(one.slopes for one in exposures) else None
    moved = [0.0] if tilt is None else np.log([PRIORS.camera_moved, 1 - PRIORS.camera_moved])
    z, side, camera, turning = (
        grid.ravel()
        for grid in np.meshgrid(_STARS, _SIDE_WEIGHTS, moved, _COEFFICIENTS, indexing="ij")
    )
    tables = {}
    for name in sorted({one.filter for one in exposures}):
        table = star_table(equipment, name, air.value + air.sigma * _STARS)
        table = doubted(table, shape_lack(equipment, name, table.log_seeing), _SIDES)
        tables[name] = table if tilt is None else table.in_field(tilt, name)
    chain = Chain(table.log_seeing, equipment.arcsec_per_px, PRIORS)
    nodes = chain.start(
        (mean + sigma * turning)[:, None],
        np.arange(z.size) // _COEFFICIENTS.size,
        np.zeros(z.size),
        side - 0.5 * (z**2 + turning**2) + camera,
    )
    return Course(
        equipment=equipment,
        limit=limit,
        chain=chain,
        tables=tables,
        sides=_SIDES.size * len(moved),
        nodes=nodes,
        by_degree=by_degree,
    ).of(exposures)


def coefficient_prior(equipment: Equipment, *, by_degree: bool) -> tuple[float, float]:
    """Zones per degree (or hour) that focus moves, and how well that is known beforehand."""
    if not by_degree:
        return 0.0, PRIORS.per_hour_sigma
    known = equipment.per_degC.times(1 / equipment.zone_steps)
    if not known.is_known:
        return PRIORS.per_degC, PRIORS.per_degC_sigma
    sigma = known.sigma if math.isfinite(known.sigma) else 0.3
    # Tube and focuser never do quite what they did on another night.
    return known.value, float(np.hypot(sigma, 0.2))


def alike(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """How far what a shape lacks goes along from one defocus to another, zones: 1 to 0."""
    gap = (one[:, None] - other) / _SMOOTH_ZONES
    return np.asarray(np.exp(-0.5 * gap * gap))


def along_and_apart(covariance: np.ndarray) -> np.ndarray:
    """Sigmas of a curve on ``DEFOCUS_ZONES``, (2, D): what goes along with focus, what is left."""
    focus = DEFOCUS_ZONES.size // 2
    along = covariance[:, focus] / np.sqrt(covariance[focus, focus])
    left = np.maximum(np.diag(covariance) - along**2, 0.0)
    return np.stack([np.abs(along), np.sqrt(left)])


def shape_lack(equipment: Equipment, name: str, log_seeing: np.ndarray) -> np.ndarray:
    """How well a filter's modelled ln shape is known, along with focus and apart, (2, D, V)."""
    share = along_and_apart(alike(DEFOCUS_ZONES, DEFOCUS_ZONES))[:, :, None]
    if name not in equipment.shape_lack:
        return PRIORS.lack * share
    away = equipment.lack_by_seeing * (log_seeing - equipment.swept_seeing[name])
    return np.hypot(equipment.shape_lack[name][:, :, None], share * away)


def doubted(table: StarTable, lack: np.ndarray, lopsided: np.ndarray) -> StarTable:
    """Stars whose shape z moves as far as air and lack together may be off, each with each w."""
    middle = table.log_shape[len(_STARS) // 2]
    by_air = table.log_shape - middle
    way = math.copysign(1.0, float(by_air[-1].sum())) * np.sign(_STARS)[:, None, None]
    size = np.hypot(by_air, _STARS[:, None, None] * lack[0])
    apart = lopsided[:, None, None] * np.sign(DEFOCUS_ZONES)[:, None] * lack[1]
    shape = (middle + way * size)[:, None] + apart
    each = table.of_stars(np.repeat(np.arange(len(_STARS)), len(lopsided)))
    return replace(each, log_shape=shape.reshape(-1, *middle.shape))


def _untold_filters(
    equipment: Equipment, tables: Mapping[str, StarTable], exposures: Sequence[Exposure]
) -> tuple[str, ...]:
    """Filters that are `Equipment.unlike`; all unswept ones if some show a lens' colour."""
    # The halo of a colour that is not brought to focus lifts the shape; defocus lowers it.
    beyond: dict[str, list[float]] = {}
    for one in exposures:
        swept = one.filter in equipment.shape_lack or one.filter in equipment.unlike
        if not swept and one.shape > 0 and one.hfr_px > 0:
            table = tables[one.filter]
            middle = table.of_stars(np.array([len(table.log_shape) // 2]))
            most = float(middle.at_radius(math.log(one.hfr_px))[2].max())
            beyond.setdefault(one.filter, []).append(math.log(one.shape) - most)
    coloured = any(np.median(more) > _COLOURED for more in beyond.values())
    unlike = {one.filter for one in exposures}.intersection(equipment.unlike)
    return tuple(sorted(unlike.union(beyond if coloured else ())))


def _shown(one: Exposure, table: StarTable, excess: float, lack: float) -> np.ndarray:
    """What a frame shows, as `Frame` has it, (4, A, D).

    ``excess`` is its elongation beyond the night's own, ``lack`` that of ln shape in which filters
    and defoci differ.
    """
    own = one.hfr_sigma_px / one.hfr_px if math.isfinite(one.hfr_sigma_px) else 0.05
    radius_sigma = math.hypot(own, PRIORS.radius_lack, _SMEAR_RADIUS * excess)
    u, slope, shape, growth = table.at_radius(math.log(one.hfr_px))
    # Jitter as it shows in focus: how much radii scatter must not pass for a measure of defocus.
    jitter = PRIORS.seeing_jitter * slope.max(axis=1, keepdims=True)
    height = 1 / slope
    if math.isfinite(one.shape):
        own = one.shape_scatter
        # The scatter that a night shows has the wobble in it.
        own = own if math.isfinite(own) else math.hypot(one.shape_sigma / one.shape, PRIORS.wobble)
        # Rows of the grid are so far apart that the shape's own slope must not fall between them.
        bend = np.gradient(shape, STEP_ZONES, axis=1) * STEP_ZONES / math.sqrt(12)
        wide = np.hypot(math.hypot(own, lack, _SMEAR_SHAPE * excess), bend)
        t = (math.log(one.shape) - shape) / wide
        height = height * np.exp(-0.5 * t * t) / wide / math.sqrt(2 * math.pi)
    if table.field is not None and one.slopes:
        grid = table.log_seeing
        number = np.rint((u - grid[0]) / (grid[1] - grid[0])).astype(int)
        within, moved = table.field.log_density(
            np.array(one.slopes), np.array(one.slopes_sigma), np.clip(number, 0, grid.size - 1)
        )
        height = height * np.exp(np.where(table.fielded[:, None], within, moved))
    return np.stack([u, np.hypot(jitter, radius_sigma) / slope, height, growth])
