"""What a plan hands on."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import groupby
from typing import Literal

from ..comparison.offsets.design import ExpectedOffset
from ..frames.plan_csv import PlannedExposure
from ..setup import Setup


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumed:
    """A number that nobody stated, and what was taken for it."""

    name: str
    value: float | str
    unit: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class More:
    """What more effort would buy: the largest uncertainty of an offset with it.

    For a sweep it is that of the filter named in ``filter``, before and after.
    """

    what: Literal["frame", "sweep", "hour"]
    before_steps: float
    after_steps: float
    filter: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CapturePlan:
    """What to capture, how long it takes, and what it will tell.

    Attributes
    ----------
    setup : Setup
        With what was assumed filled in.
    reference : str
    exposures : tuple of PlannedExposure
        In order.
    away_steps : tuple of int
        Positions of a sweep, counted from where best focus is expected.
    centre_steps : mapping of str to int
        By filter, where best focus is expected.
    run_in_steps : int
        How far before the first position each sweep starts to move.
    wanted_sigma_steps : float
    reached : bool
        Whether every offset comes out as well as wanted.
    duration_s, exposure_s : float
        From the beginning to the end, and all exposures together.
    offsets : mapping of str to ExpectedOffset
        By filter, the reference first.
    zone_steps : mapping of str to float
    can_answer : mapping of str to bool
        ``colour``, ``slip``, ``temperature``, ``play``.
    more : tuple of More
    assumed : tuple of Assumed
    hfr_px : float
        Half-flux radius expected in focus.
    few_stars : mapping of str to float
        Filters that even the longest exposure shows few stars through, and about how many.

    Examples
    --------
    >>> from starsize import Setup, plan_capture
    >>> from starsize.setup import Focuser, Telescope
    >>> scope = Telescope(focal_length_mm=480.0, aperture_mm=87.0)
    >>> setup = Setup(telescope=scope, focuser=Focuser(um_per_step=4.0))
    >>> plan = plan_capture(setup, position_steps=12000)
    >>> plan.away_steps
    (-66, -44, -22, 0, 22, 44, 66)
    >>> round(plan.offsets["B"].sigma, 1), plan.can_answer["play"]
    (1.5, False)
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
