"""Old filter set against new: which filters changed focus, and which moves to update."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from scipy.special import stdtrit

from ..errors import InputError
from ..estimate import Estimate, Finding, Notice, notice
from ..filters import filter_order
from .colour.verdict import colour_verdict
from .compared import ColourWord, Outward
from .offsets.adjustment import adjust
from .offsets.found import Scale
from .offsets.sweeps import best_focus_data
from .offsets.terms import REPEATS_UM

Change = Literal["changed", "unchanged", "cannot tell", "only in old", "only in new"]
SetWord = Literal["changed", "unchanged", "cannot tell"]
#: 95 % half-width of a normal distribution over its sigma.
NORMAL_95 = 1.96
#: Half of all pairs of sweeps differ by less than this many times their standard deviation.
_MIDDLE = 0.674
#: The frames' own part is said where it is below this share of the whole.
_TELLING = 0.5
#: Step sizes further apart than this, and than their uncertainty, are those of two focusers.
_SIZES_DIFFER = 0.05


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class MeasuredSet:
    """The offsets of one run as its ``result.json`` holds them; ``name`` is that of its folder.

    ``filters`` are those measured, the reference first; in their order ``offset_steps`` (k,), the
    (k, k) covariance (row and column of the reference are zero) and ``half95_steps``, half-widths
    of 95 % intervals, 1.96 sigma where not stored; ``frames_sigma_steps`` is the frames' part of
    each uncertainty, and ``sweeps`` their number, empty where not stored. ``refused`` says why
    others were not measured, ``zone_steps`` is half the critical focus zone where known, and
    ``repeatability_steps`` the scatter that this run's own repeats showed.
    """

    name: str
    filters: tuple[str, ...]
    offset_steps: np.ndarray
    covariance_steps2: np.ndarray
    half95_steps: tuple[float, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict)
    zone_steps: Mapping[str, float] = field(default_factory=dict)
    um_per_step: Estimate | None = None
    outward: Outward = "increasing"
    frames_sigma_steps: tuple[float, ...] = ()
    sweeps: tuple[int, ...] = ()
    repeatability_steps: Estimate | None = None

    def __repr__(self) -> str:
        return f"<MeasuredSet {self.name}: {len(self.filters)} filters, from {self.reference}>"

    @property
    def reference(self) -> str:
        """The filter that offsets count from; empty where nothing was measured."""
        return self.filters[0] if self.filters else ""

    @property
    def repeated(self) -> bool:
        """Whether a filter was swept twice, or nobody knows."""
        return not self.sweeps or max(self.sweeps) > 1

    @property
    def sigma_steps(self) -> np.ndarray:
        """(k,) standard uncertainties of the offsets."""
        return np.sqrt(np.maximum(np.diag(self.covariance_steps2), 0.0))

    @property
    def factor95(self) -> float:
        """95 % half-width over sigma: the largest of all filters, 1.96 where not stored."""
        known = zip(self.half95_steps, self.sigma_steps.tolist(), strict=False)
        return max([NORMAL_95, *(half / one for half, one in known if one > 0)])

    def offset(self, name: str) -> Estimate | None:
        """Offset of a filter; None where it was not measured."""
        if name not in self.filters:
            return None
        i = self.filters.index(name)
        return Estimate(float(self.offset_steps[i]), float(self.sigma_steps[i]))

    def frames_of(self, name: str) -> float:
        """The frames' part of a filter's uncertainty; NaN where it is not stored."""
        return dict(zip(self.filters, self.frames_sigma_steps, strict=False)).get(name, math.nan)


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

    ``verdict`` is ``changed`` if a filter's change leaves its zone or its move has to be updated,
    ``unchanged`` if none can have, else ``cannot tell``. ``parfocal`` is about the new set alone.
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


def compare_filter_sets(old: MeasuredSet, new: MeasuredSet) -> SetComparison:
    """Compare two measured sets: which filters changed focus, and which moves to update.

    The old offsets are brought to the new run's reference filter and to its steps. Everything is
    stated at 95 %.

    Returns
    -------
    SetComparison

    Raises
    ------
    InputError
        If the two have no measured filter in common.

    Examples
    --------
    >>> from starsize import load_measured_set
    >>> old, new = load_measured_set("old-set"), load_measured_set("new-set")  # doctest: +SKIP
    >>> compare_filter_sets(old, new).verdict_reason  # doctest: +SKIP
    'R and B focus elsewhere in new-set: update their moves'
    """
    shared = [f for f in new.filters if f in old.filters]
    if not shared:
        msg = f"{old.name} and {new.name} have no measured filter in common; at least the "
        raise InputError(msg + "reference filter must be measured in both")
    reference = new.reference if new.reference in shared else shared[0]
    after = change_reference(new, reference)
    before, notices = _in_steps_of(change_reference(old, reference), after)
    if not notices:  # the same focuser
        pairs = ((before, with_scatter_of(before, after)), (after, with_scatter_of(after, before)))
        notices += [notice("scatter_borrowed", run=a.name) for a, b in pairs if a is not b]
        before, after = (changed for _, changed in pairs)
    names = sorted({*old.filters, *new.filters, *old.refused, *new.refused}, key=filter_order)
    rows = tuple(_row(name, before, after) for name in names)
    notices += _reference_moved(rows, reference)
    parfocal, parfocal_reason = _parfocal(after)
    verdict, verdict_reason = _verdict(rows, new.name)
    return SetComparison(
        old_name=old.name, new_name=new.name, reference=reference,
        verdict=verdict, verdict_reason=verdict_reason,
        parfocal=parfocal, parfocal_reason=parfocal_reason,
        rows=rows, notices=tuple(notices),
    )  # fmt: skip


def change_reference(measured: MeasuredSet, reference: str) -> MeasuredSet:
    """Count the same offsets from another measured filter; nothing is fitted again."""
    if reference not in measured.filters:
        listed = ", ".join(measured.filters)
        raise ValueError(f"'reference' must be one of {listed}; got {reference!r}")
    if reference == measured.reference:
        return measured
    first = measured.filters.index(reference)
    pick = [first, *(i for i in range(len(measured.filters)) if i != first)]
    contrasts = np.eye(len(pick))[pick] - np.eye(len(pick))[first]
    covariance = contrasts @ measured.covariance_steps2 @ contrasts.T
    return replace(
        measured,
        filters=tuple(measured.filters[i] for i in pick),
        offset_steps=contrasts @ measured.offset_steps,
        covariance_steps2=covariance,
        half95_steps=tuple(measured.factor95 * np.sqrt(np.diag(covariance))),
        # What two other filters' frames know of their difference is not stored.
        frames_sigma_steps=(),
        sweeps=tuple(measured.sweeps[i] for i in pick if measured.sweeps),
    )


def _in_steps_of(old: MeasuredSet, new: MeasuredSet) -> tuple[MeasuredSet, list[Notice]]:
    """The old offsets in the new run's steps; as they are where a step size is unknown."""
    factor, notices = 1.0 if old.outward == new.outward else -1.0, []
    if old.um_per_step is not None and new.um_per_step is not None:
        ratio = old.um_per_step.value / new.um_per_step.value
        own = math.hypot(old.um_per_step.relative, new.um_per_step.relative)
        if abs(ratio - 1) > max(_SIZES_DIFFER, 3 * own):
            factor *= ratio
            sizes = {"old_um": old.um_per_step.value, "new_um": new.um_per_step.value}
            notices.append(notice("step_size_changed", old=old.name, new=new.name, **sizes))
    scaled = replace(
        old,
        offset_steps=factor * old.offset_steps,
        covariance_steps2=factor**2 * old.covariance_steps2,
        half95_steps=tuple(abs(factor) * half for half in old.half95_steps),
        frames_sigma_steps=tuple(abs(factor) * one for one in old.frames_sigma_steps),
    )
    return scaled, notices


def _row(name: str, old: MeasuredSet, new: MeasuredSet) -> SetRow:
    before, after = old.offset(name), new.offset(name)
    zone = new.zone_steps.get(name, old.zone_steps.get(name))
    known: dict[str, Any] = {"filter": name, "reference": new.reference, "zone_steps": zone}
    for run, offset in (("old", before), ("new", after)):
        if offset:
            known |= {f"{run}_offset_steps": offset.value, f"{run}_sigma_steps": offset.sigma}
            known[f"{run}_move_steps"] = round(offset.value)
    if after:
        known["parfocal"] = _inside(after.value, new.factor95 * after.sigma, zone)
    if before is None or after is None:
        change, why = _one_sided(name, old, new)
        return SetRow(**known, change=change, update=change == "only in new" or None, reason=why)
    moved = after.value - before.value
    half95 = math.hypot(old.factor95 * before.sigma, new.factor95 * after.sigma)
    scale = Scale(um_per_step=new.um_per_step, sense=1 if new.outward == "increasing" else -1)
    row = SetRow(
        **known, change="unchanged", change_steps=moved,
        change_sigma_steps=math.hypot(before.sigma, after.sigma),
        change_um=scale.micrometres(moved), significant=abs(moved) > half95, update=False,
        reason=Finding("set_reference"),
    )  # fmt: skip
    if name == new.reference:
        return row
    change, why = _judged(row, old, new, half95)
    return replace(row, change=change, update=change == "changed", reason=why)


def _one_sided(name: str, old: MeasuredSet, new: MeasuredSet) -> tuple[Change, Finding]:
    """A filter that is not measured in both."""
    for run in (new, old) if name in old.filters else (old, new):
        if name in run.refused:
            why = Finding("refused_in", name=name, run=run.name, why=run.refused[name])
            return "cannot tell", why
    if (offset := new.offset(name)) is None:
        return "only in old", Finding("only_in_old", name=name, run=new.name)
    fresh = Finding("only_in_new", name=name, run=old.name, move=round(offset.value))
    return "only in new", fresh


def _judged(
    row: SetRow, old: MeasuredSet, new: MeasuredSet, half95: float
) -> tuple[Change, Finding]:
    """Changed if the change leaves the zone or is significant; unchanged if neither can be."""
    change, zone = row.change_steps or 0.0, row.zone_steps
    facts: dict[str, Any] = {"change": change, "half95": half95}
    moves = row.old_move_steps, row.new_move_steps
    if zone is None:
        if row.significant:
            return "changed", Finding("changed", **facts, moves=moves)
        return "cannot tell", Finding("perhaps_changed", **facts)
    inside, facts["zone"] = _inside(change, half95, zone), zone
    if inside == "together":
        code = "real_but_inside" if row.significant else "nothing_changed"
        return "unchanged", Finding(code, **facts)
    if row.significant:
        return "changed", Finding("leaves_zone", **facts, surely=inside == "apart", moves=moves)
    # What the frames alone know of the change, and what one more sweep would make of it.
    frames = math.hypot(old.frames_of(row.filter), new.frames_of(row.filter))
    if frames <= _TELLING * (row.change_sigma_steps or 0.0):
        facts |= {"frames": NORMAL_95 * frames, "one_more": with_one_more(old, new, row.filter)}
    why = Finding("change_unknown", name=row.filter, **facts, reference=new.reference)
    return "cannot tell", why


def _inside(steps: float, half95: float, zone: float | None) -> ColourWord:
    """Does a shift stay within a zone, at 95 %."""
    if zone is None:
        return "cannot tell"
    if abs(steps) - half95 > zone:
        return "apart"
    return "together" if abs(steps) + half95 <= zone else "cannot tell"


def _parfocal(new: MeasuredSet) -> tuple[ColourWord, Finding]:
    judged = [f for f in new.filters if f in new.zone_steps]
    if len(judged) < 2:
        return "cannot tell", Finding("zones_not_known")
    pick = [new.filters.index(f) for f in judged]
    found = colour_verdict(
        new.offset_steps[pick],
        new.covariance_steps2[np.ix_(pick, pick)] * (new.factor95 / NORMAL_95) ** 2,
        np.array([new.zone_steps[f] for f in judged]),
    )
    return found, Finding("parfocal", count=len(judged), verdict=found)


def _verdict(rows: tuple[SetRow, ...], new_name: str) -> tuple[SetWord, Finding]:
    if changed := tuple(r.filter for r in rows if r.change in ("changed", "only in new")):
        return "changed", Finding("update_moves", filters=changed)
    if unclear := tuple(r.filter for r in rows if r.change == "cannot tell"):
        return "cannot tell", Finding("filters_unclear", filters=unclear)
    return "unchanged", Finding("moves_hold", run=new_name)


def _reference_moved(rows: tuple[SetRow, ...], reference: str) -> list[Notice]:
    """A notice where all filters changed alike, as they do when the reference itself changed."""
    moved = [r for r in rows if r.change_steps is not None and r.filter != reference]
    if len(moved) < 2 or not all(r.significant for r in moved):
        return []
    changes, sigmas = np.array([(r.change_steps, r.change_sigma_steps) for r in moved], float).T
    mean = float(np.average(changes, weights=1 / sigmas**2))
    if np.any(np.abs(changes - mean) > NORMAL_95 * sigmas):
        return []
    return [notice("reference_changed", reference=reference, steps=mean)]


def with_scatter_of(measured: MeasuredSet, other: MeasuredSet) -> MeasuredSet:
    """A run without repeats, its assumed scatter replaced by what the other run's repeats show.

    Every filter swept once, an offset scatters by sqrt(2) tau; what a filter's uncertainty holds
    beyond that of the least uncertain one (temperature, direction) stays. The 95 % half-widths are
    Student's t's with 1 / (2 (u / tau)^2) degrees of freedom (JCGM 100:2008, E.4.3).
    """
    scatter, frames = other.repeatability_steps, np.square(measured.frames_sigma_steps)
    if measured.repeated or scatter is None or not scatter.is_known or not frames.size:
        return measured
    own = np.diag(measured.covariance_steps2)
    rest, counted = np.maximum(own - frames, 0.0), own > 0
    if not counted.any():
        return measured
    wanted = frames + (rest - rest[counted].min()) + 2 * scatter.value**2
    scale = np.sqrt(np.divide(wanted, own, out=np.zeros_like(own), where=counted))
    covariance = measured.covariance_steps2 * np.outer(scale, scale)
    dof = 0.5 * (scatter.value / max(scatter.sigma, 1e-9)) ** 2
    factor = max(NORMAL_95, float(stdtrit(max(dof, 1.0), 0.975)))
    half95 = tuple(factor * np.sqrt(np.diag(covariance)))
    return replace(measured, covariance_steps2=covariance, half95_steps=half95)


def with_one_more(old: MeasuredSet, new: MeasuredSet, name: str) -> float | None:
    """95 % half-width of a change with one more sweep of the reference in each run, where known."""
    both = math.hypot(*(_half95_with_one_more(one, name) for one in (old, new)))
    return both if math.isfinite(both) else None


def _half95_with_one_more(measured: MeasuredSet, name: str) -> float:
    own = measured.frames_of(name)
    if math.isnan(own) or measured.repeated or name == measured.reference:
        return math.nan
    tau = REPEATS_UM / measured.um_per_step.value if measured.um_per_step else 1.0
    # An offset's frames are those of two sweeps.
    sigma = np.maximum(measured.frames_sigma_steps, own) / math.sqrt(2)
    apart = _MIDDLE * math.sqrt(2) * math.hypot(tau, sigma[0])
    data = best_focus_data(
        [0.0] * sigma.size + [apart],
        np.square([*sigma, sigma[0]]),
        filters=[*measured.filters, measured.reference],
    )
    return adjust(data, scatter=tau).offsets(measured.reference)[name].half95
