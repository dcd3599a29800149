"""Old filter set against new: what goes in (a stored result) and what comes out, plain data."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from ...estimate import Estimate, Notice
from ..compared import ColourWord, Outward
from ..offsets.adjustment import Scatter, adjust
from ..offsets.sweeps import best_focus_data
from ..offsets.terms import REPEATS_UM

Change = Literal["changed", "unchanged", "cannot tell", "only in old", "only in new"]
SetWord = Literal["changed", "unchanged", "cannot tell"]
NORMAL_95 = 1.96
"""95 % half-width of a normal distribution over its sigma."""

#: Half of all pairs of sweeps differ by less than this many times their standard deviation.
_MIDDLE = 0.674
#: The frames' own part is said where it is below this share of the whole.
TELLING = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class MeasuredSet:
    """The offsets of one run as its ``result.json`` holds them.

    ``filters`` are those measured, the reference first; in their order ``offset_steps`` (k,), the
    (k, k) covariance (row and column of the reference are zero) and ``half95_steps``, half-widths
    of 95 % intervals, 1.96 sigma where not stored. ``refused`` says why others were not measured,
    ``zone_steps`` is half the critical focus zone where known.

    Examples
    --------
    >>> from starsize import load_measured_set
    >>> old = load_measured_set("old-set")  # doctest: +SKIP
    >>> dict(zip(old.filters, old.offset_steps.round(1), strict=True))  # doctest: +SKIP
    {'L': 0.0, 'R': 12.3, 'G': 0.4, 'B': -9.1}
    """

    name: str
    """How the person calls it: the folder's name."""
    filters: tuple[str, ...]
    offset_steps: np.ndarray
    covariance_steps2: np.ndarray
    half95_steps: tuple[float, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict)
    zone_steps: Mapping[str, float] = field(default_factory=dict)
    um_per_step: Estimate | None = None
    outward: Outward = "increasing"
    frames_sigma_steps: tuple[float, ...] = ()
    """The part of each offset's uncertainty that the frames bring; empty where not stored."""
    sweeps: tuple[int, ...] = ()
    """Sweeps of each filter."""
    repeatability_steps: Estimate | None = None
    """Run-to-run scatter from that run's own repeats."""

    def __repr__(self) -> str:
        return f"<MeasuredSet {self.name}: {len(self.filters)} filters, from {self.reference}>"

    @property
    def repeated(self) -> bool:
        """Whether a filter was swept twice, or nobody knows."""
        return not self.sweeps or max(self.sweeps) > 1

    @property
    def frames_known(self) -> bool:
        """Whether the frames' part of every offset is stored."""
        return len(self.frames_sigma_steps) == len(self.filters)

    def offset(self, name: str) -> tuple[float, float] | None:
        """Offset and sigma of a filter; None where it was not measured."""
        if name not in self.filters:
            return None
        i = self.filters.index(name)
        return float(self.offset_steps[i]), math.sqrt(max(self.covariance_steps2[i, i], 0.0))

    @property
    def factor95(self) -> float:
        """95 % half-width over sigma: the largest of all filters, 1.96 where not stored."""
        sigma = np.sqrt(np.diag(self.covariance_steps2))
        known = zip(self.half95_steps, sigma.tolist(), strict=False)
        return max([NORMAL_95, *(half / one for half, one in known if one > 0)])

    @property
    def reference(self) -> str:
        """The filter that offsets count from; empty where nothing was measured."""
        return self.filters[0] if self.filters else ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetRow:
    """One filter, old against new; the fields are the columns of ``comparison.csv``, in order.

    Offsets of both sets count from the same reference and in steps of the new run. None where
    unknown. ``parfocal`` says whether the new filter stays inside its zone at the reference's
    focus: ``together`` inside, ``apart`` outside, at 95 %.
    """

    filter: str
    reference: str
    change: Change
    old_offset_steps: float | None = None
    old_sigma_steps: float | None = None
    new_offset_steps: float | None = None
    new_sigma_steps: float | None = None
    change_steps: float | None = None
    change_sigma_steps: float | None = None
    change_um: float | None = None
    significant: bool | None = None
    """The change is not zero, at 95 %."""
    zone_steps: float | None = None
    parfocal: ColourWord | None = None
    old_move_steps: int | None = None
    new_move_steps: int | None = None
    update: bool | None = None
    """The move in the equipment's table has to be changed."""
    reason: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetComparison:
    """Old set against new.

    ``verdict`` is about the whole set: ``changed`` if a filter's change leaves its zone or its
    move has to be updated, ``unchanged`` if none can have, else ``cannot tell``. ``parfocal``
    is about the new set alone.
    """

    old_name: str
    new_name: str
    reference: str
    verdict: SetWord
    verdict_reason: str
    parfocal: ColourWord
    parfocal_reason: str
    rows: tuple[SetRow, ...]
    notices: tuple[Notice, ...] = ()


def with_scatter_of(measured: MeasuredSet, other: MeasuredSet) -> MeasuredSet:
    """A run without repeats, its assumed scatter replaced by what the other run's repeats show.

    Every filter swept once, an offset scatters by sqrt(2) tau; what a filter's uncertainty holds
    beyond that of the least uncertain one (temperature, direction) stays. The 95 % half-widths are
    those of Student's t with the degrees of freedom that the uncertainty of tau stands for, 1 / (2
    (u / tau)^2) (JCGM 100:2008, E.4.3). Unchanged where nothing is to be learned.
    """
    scatter = other.repeatability_steps
    if measured.repeated or scatter is None or not scatter.is_known or not measured.frames_known:
        return measured
    own, frames = np.diag(measured.covariance_steps2), np.array(measured.frames_sigma_steps) ** 2
    rest, counted = np.maximum(own - frames, 0.0), own > 0
    if not counted.any():
        return measured
    wanted = frames + (rest - rest[counted].min()) + 2 * scatter.value**2
    scale = np.sqrt(np.divide(wanted, own, out=np.zeros_like(own), where=counted))
    covariance = measured.covariance_steps2 * np.outer(scale, scale)
    dof = 0.5 * (scatter.value / max(scatter.sigma, 1e-9)) ** 2
    factor = max(NORMAL_95, float(stdtrit(max(dof, 1.0), 0.975)))
    return replace(
        measured,
        covariance_steps2=covariance,
        half95_steps=tuple(factor * np.sqrt(np.diag(covariance))),
    )


def frames_alone(old: MeasuredSet, new: MeasuredSet, name: str) -> float | None:
    """Standard uncertainty of a filter's change from the frames alone; None where not known."""
    parts = [p for one in (old, new) if (p := _frames(one, name)) is not None]
    return math.hypot(*parts) if len(parts) == 2 else None


def with_one_more(old: MeasuredSet, new: MeasuredSet, name: str) -> float | None:
    """95 % half-width of a change after one more sweep of the reference in each run.

    None where a run was repeated already or what its frames know is not stored.
    """
    halves = [h for one in (old, new) if (h := _half95_with_one_more(one, name)) is not None]
    return math.hypot(*halves) if len(halves) == 2 else None


def _frames(measured: MeasuredSet, name: str) -> float | None:
    if not measured.frames_known or name not in measured.filters:
        return None
    return measured.frames_sigma_steps[measured.filters.index(name)]


def _half95_with_one_more(measured: MeasuredSet, name: str) -> float | None:
    own = _frames(measured, name)
    if own is None or measured.repeated or name == measured.reference:
        return None
    size: Estimate | None = measured.um_per_step
    tau = REPEATS_UM / size.value if size else 1.0
    # An offset's frames are those of two sweeps.
    sigma = [max(s, own) / math.sqrt(2) for s in measured.frames_sigma_steps]
    apart = _MIDDLE * math.sqrt(2) * math.hypot(tau, sigma[0])
    data = best_focus_data(
        [0.0] * len(sigma) + [apart],
        np.square([*sigma, sigma[0]]),
        filters=[*measured.filters, measured.reference],
    )
    found = adjust(data, scatter=Scatter(tau))
    return found.offsets(measured.reference)[found.filters.index(name)].half95
