"""What a plan hands on."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from ..frames.tables import PlannedExposure
from ..setup import Setup


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """A number that nobody stated, and what was taken for it."""

    name: str
    value: float | str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class More:
    """What more effort would buy: the worst uncertainty of an offset, or that of ``filter``."""

    what: Literal["frame", "sweep", "hour"]
    before_steps: float
    after_steps: float
    filter: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CapturePlan:
    """What to capture, how long it takes, and what it will tell; mappings are by filter.

    ``setup`` has what was assumed filled in. ``away_steps`` are the positions of a sweep, counted
    from where best focus is expected (``centre_steps``); each sweep starts to move ``run_in_steps``
    before the first. ``reached`` says whether every offset comes out as well as wanted;
    ``duration_s`` is all of the night, ``exposure_s`` the exposures alone. ``offsets`` has the
    reference first; ``can_answer`` is for ``colour``, ``slip``, ``temperature``, ``play``.
    ``hfr_px`` is the half-flux radius expected in focus, ``few_stars`` about how many stars even
    the longest exposure shows through filters that show few.
    """

    setup: Setup
    reference: str
    exposures: tuple[PlannedExposure, ...]
    away_steps: tuple[int, ...]
    centre_steps: Mapping[str, int]
    run_in_steps: int
    wanted_sigma_steps: float
    reached: bool
    duration_s: float
    exposure_s: float
    offsets: Mapping[str, ExpectedOffset]
    zone_steps: Mapping[str, float]
    can_answer: Mapping[str, bool]
    more: tuple[More, ...]
    assumed: tuple[Assumed, ...]
    hfr_px: float
    few_stars: Mapping[str, float]

    def __repr__(self) -> str:
        return (
            f"<CapturePlan: {len(self.exposures)} exposures in {self.exposures[-1].sweep} sweeps, "
            f"{self.duration_s / 60:.0f} min, offsets to "
            f"+-{max(o.sigma for o in self.offsets.values()):.2f} steps>"
        )

    @property
    def sweeps(self) -> tuple[tuple[PlannedExposure, ...], ...]:
        """The exposures of each sweep."""
        return tuple(tuple(e) for _, e in groupby(self.exposures, key=lambda one: one.sweep))
