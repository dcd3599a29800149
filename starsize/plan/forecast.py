"""What sweeps that nobody has taken yet would tell: the fit and the adjustment, before any data.

The scatter is weighed by what is expected of it alone, so the uncertainties are those of the errors
to come.
"""

import math
from dataclasses import dataclass

import numpy as np

from ..comparison.compare import FOUND_SIGMAS, LEAST_RANGE_DEGC
from ..comparison.offsets.adjustment import adjust
from ..comparison.offsets.changes import adjusted_sweeps
from ..comparison.offsets.sweeps import BestFocusData, best_focus_data
from ..comparison.offsets.terms import (
    COEFFICIENT_ROOM,
    COOLING_DEGC_PER_HOUR,
    choose_terms,
    coefficient_bound,
    expected_scatter,
    stated_prior,
)
from ..curves.design import Design
from ..frames.tables import FRAME_OVERHEAD_S, SWEEP_OVERHEAD_S
from ..setup import Setup
from .equipment import Equipment
from .planned import ExpectedOffset

#: Any day will do.
_MJD = 60000.0


@dataclass(frozen=True, slots=True, eq=False)
class Programme:
    """A night: the filter of each sweep, and how many frames each takes at each place.

    ``frames``, ``rounds`` and ``between`` are what it was made of.
    """

    order: tuple[str, ...]
    pattern: np.ndarray
    frames: int = 0
    rounds: int = 0
    between: int = 0

    def spent_s(self, equipment: Equipment) -> np.ndarray:
        """What each sweep takes."""
        each = np.array([equipment.exposure_s[name] for name in self.order])
        return SWEEP_OVERHEAD_S + (each + FRAME_OVERHEAD_S) * self.pattern.sum()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forecast:
    """What a night of sweeps would tell of each filter; the covariance is in their order.

    ``temperature`` and ``play`` say whether the coefficient of a usual tube, and play, would be
    found; ``data`` is what the adjustment would be given.
    """

    data: BestFocusData
    offsets: dict[str, ExpectedOffset]
    covariance_steps2: np.ndarray
    temperature: bool
    play: bool

    @property
    def worst_steps(self) -> float:
        """The largest uncertainty of an offset."""
        return max(one.sigma for one in self.offsets.values())


def forecast(programme: Programme, equipment: Equipment, design: Design) -> Forecast:
    """Fit and adjust a night to come."""
    spent = programme.spent_s(equipment)
    middle_h = (np.cumsum(spent) - spent / 2) / 3600
    data = best_focus_data(
        np.zeros(len(spent)),
        design.covariance([(name, programme.pattern) for name in programme.order]),
        filters=programme.order,
        temperature_degC=-COOLING_DEGC_PER_HOUR * middle_h,
        time_mjd=_MJD + middle_h / 24,
        approach="outward",
    )
    return expected_offsets(data, equipment.setup, reference=equipment.filters[0])


def expected_offsets(data: BestFocusData, setup: Setup, *, reference: str) -> Forecast:
    """Adjust sweeps to come; their positions only have to be plausible."""
    terms = choose_terms(data, setup)
    scatter = expected_scatter(setup)
    whole = adjust(data, terms, scatter=scatter, planned=True)
    steady = adjust(data, scatter=scatter, planned=True).offsets(reference)
    offsets = {
        name: ExpectedOffset(
            sigma=found.sigma,
            frames=steady[name].frames,
            focuser=steady[name].focuser,
            temperature=math.sqrt(max(found.sigma**2 - steady[name].sigma ** 2, 0.0)),
        )
        for name, found in whole.offsets(reference).items()
    }
    stated = stated_prior("temperature", setup)
    usual = abs(stated[0]) if stated else coefficient_bound(setup) / COEFFICIENT_ROOM
    return Forecast(
        data=data,
        offsets=offsets,
        covariance_steps2=whole.covariance_of(whole.contrasts(reference)),
        temperature=whole.source("temperature") == "frames"
        and (data.range_degC or 0.0) >= LEAST_RANGE_DEGC
        and whole.term("temperature").sigma * FOUND_SIGMAS <= usual,
        play=whole.source("direction") == "frames",
    )


def slip_would_show(data: BestFocusData, setup: Setup) -> bool:
    """Whether a slip of usual size would be found wherever it lay among sweeps to come."""
    return adjusted_sweeps(data, setup)[1].slips is not None
