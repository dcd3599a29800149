"""What sweeps that nobody has taken yet would tell of the offsets: the adjustment, before any data.

The scatter is weighed by what is expected of it alone, so the uncertainties are those of the errors
to come.
"""

import math
from dataclasses import dataclass

import numpy as np

from ...setup import Setup
from .adjustment import adjust
from .focuser import FOUND_SIGMAS, LEAST_RANGE_DEGC
from .found import adjusted_sweeps
from .sweeps import BestFocusData
from .terms import COEFFICIENT_ROOM, choose_terms, coefficient_bound, stated_prior


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedOffset:
    """Standard uncertainty of an offset to come, steps, and its parts (they add in squares).

    ``frames`` is what the frames leave open, ``focuser`` the scatter from sweep to sweep,
    ``temperature`` what it costs to tell the filters from the cooling.
    """

    sigma: float
    frames: float
    focuser: float
    temperature: float


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
    choice = choose_terms(data, setup=setup, um_per_step=um_per_step)
    whole = adjust(data, choice.terms, scatter=choice.scatter, planned=True)
    steady = adjust(data, scatter=choice.scatter, planned=True)
    both = zip(whole.offsets(reference), steady.offsets(reference), strict=True)
    offsets = [
        ExpectedOffset(
            sigma=found.sigma, frames=still.frames, focuser=still.focuser,
            temperature=math.sqrt(max(found.sigma**2 - still.sigma**2, 0.0)),
        )
        for found, still in both
    ]  # fmt: skip
    stated = stated_prior("temperature", setup)
    usual = abs(stated[0]) if stated else coefficient_bound(setup, um_per_step) / COEFFICIENT_ROOM
    return ExpectedTable(
        offsets=dict(zip(whole.filters, offsets, strict=True)),
        covariance_steps2=whole.mixture.covariance_of(whole.contrasts(reference)),
        temperature=choice.source.get("temperature") == "frames"
        and (choice.range_degC or 0.0) >= LEAST_RANGE_DEGC
        and whole.term("temperature").sigma * FOUND_SIGMAS <= usual,
        play=choice.source.get("direction") == "frames",
    )


def slip_would_show(data: BestFocusData, *, setup: Setup, um_per_step: float | None) -> bool:
    """Whether a slip of usual size would be found wherever it lay among sweeps to come."""
    return adjusted_sweeps(data, setup=setup, um_per_step=um_per_step)[2].slips is not None
