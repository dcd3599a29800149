"""What a night of planned sweeps would tell, and how long it takes."""

from dataclasses import dataclass

import numpy as np

from ..comparison.offsets.design import ExpectedTable, expected_offsets
from ..comparison.offsets.sweeps import BestFocusData, best_focus_data
from ..comparison.offsets.terms import COOLING_DEGC_PER_HOUR
from ..curves.design import Design
from ..frames.plan_csv import FRAME_OVERHEAD_S, SWEEP_OVERHEAD_S
from .equipment import Equipment

_MJD = 60000.0
"""Any day will do."""


@dataclass(frozen=True, slots=True, eq=False)
class Programme:
    """A night: the filter of each sweep, and how many frames each takes at each place."""

    order: tuple[str, ...]
    pattern: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """What a programme would tell.

    ``data`` is what the adjustment would be given; ``worst_steps`` the largest uncertainty of an
    offset.
    """

    table: ExpectedTable
    data: BestFocusData
    worst_steps: float


def duration_s(programme: Programme, equipment: Equipment) -> float:
    """From the beginning of a night to its end."""
    return sum(_spent_s(programme, equipment))


def exposure_s(programme: Programme, equipment: Equipment) -> float:
    """All exposures together."""
    frames = float(programme.pattern.sum())
    return sum(frames * equipment.exposure_s[name] for name in programme.order)


def forecast(programme: Programme, equipment: Equipment, design: Design) -> Forecast:
    """Fit and adjust a night to come."""
    spent = _spent_s(programme, equipment)
    middle_h = (np.cumsum(spent) - np.array(spent) / 2) / 3600
    data = best_focus_data(
        np.zeros(len(spent)),
        design.covariance([(name, programme.pattern) for name in programme.order]),
        filters=programme.order,
        temperature_degC=-COOLING_DEGC_PER_HOUR * middle_h,
        time_mjd=_MJD + middle_h / 24,
        approach="outward",
    )
    size, reference = equipment.um_per_step, equipment.filters[0]
    table = expected_offsets(data, setup=equipment.setup, um_per_step=size, reference=reference)
    return Forecast(table, data, max(one.sigma for one in table.offsets.values()))


def _spent_s(programme: Programme, equipment: Equipment) -> list[float]:
    """What each sweep takes."""
    each = [equipment.exposure_s[name] + FRAME_OVERHEAD_S for name in programme.order]
    return [SWEEP_OVERHEAD_S + one * float(programme.pattern.sum()) for one in each]
