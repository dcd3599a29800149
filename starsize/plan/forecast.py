"""What sweeps that nobody has taken yet would tell of the offsets: the adjustment, before any data.

The scatter is weighed by what is expected of it alone, so the uncertainties are those of the errors
to come.
"""

import math
from dataclasses import dataclass

import numpy as np

from ..comparison.compare import FOUND_SIGMAS, LEAST_RANGE_DEGC
from ..comparison.offsets.adjustment import adjust
from ..comparison.offsets.changes import adjusted_sweeps
from ..comparison.offsets.sweeps import BestFocusData
from ..comparison.offsets.terms import (
    COEFFICIENT_ROOM,
    choose_terms,
    coefficient_bound,
    expected_scatter,
    stated_prior,
)
from ..setup import Setup
from .planned import ExpectedOffset


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ExpectedTable:
    """What a night of sweeps would tell of each filter; the covariance is in their order.

    ``temperature`` and ``play`` say whether the coefficient of a usual tube, and play, would be
    found.
    """

    offsets: dict[str, ExpectedOffset]
    covariance_steps2: np.ndarray
    temperature: bool
    play: bool


def expected_offsets(
    data: BestFocusData, *, setup: Setup, um_per_step: float | None, reference: str
) -> ExpectedTable:
    """Adjust sweeps to come; their positions only have to be plausible."""
    terms = choose_terms(data, setup=setup, um_per_step=um_per_step)
    scatter = expected_scatter(setup, um_per_step)
    whole = adjust(data, terms, scatter=scatter, planned=True)
    steady = adjust(data, scatter=scatter, planned=True)
    both = zip(whole.offsets(reference).items(), steady.offsets(reference).values(), strict=True)
    offsets = {
        name: ExpectedOffset(
            sigma=found.sigma, frames=still.frames, focuser=still.focuser,
            temperature=math.sqrt(max(found.sigma**2 - still.sigma**2, 0.0)),
        )
        for (name, found), still in both
    }  # fmt: skip
    stated = stated_prior("temperature", setup)
    usual = abs(stated[0]) if stated else coefficient_bound(setup, um_per_step) / COEFFICIENT_ROOM
    return ExpectedTable(
        offsets=offsets,
        covariance_steps2=whole.covariance_of(whole.contrasts(reference)),
        temperature=whole.source("temperature") == "frames"
        and (data.range_degC or 0.0) >= LEAST_RANGE_DEGC
        and whole.term("temperature").sigma * FOUND_SIGMAS <= usual,
        play=whole.source("direction") == "frames",
    )


def slip_would_show(data: BestFocusData, *, setup: Setup, um_per_step: float | None) -> bool:
    """Whether a slip of usual size would be found wherever it lay among sweeps to come."""
    return adjusted_sweeps(data, setup=setup, um_per_step=um_per_step)[1].slips is not None
