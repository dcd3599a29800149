"""Validate a new filter set against the old one: what changed, and what to update."""

import math
from dataclasses import replace
from typing import Any

import numpy as np

from ...errors import InputError
from ...estimate import Finding, Notice, notice
from ...filters import filter_order
from ..colour.verdict import colour_verdict
from ..compared import ColourWord
from .compared import (
    NORMAL_95,
    TELLING,
    Change,
    MeasuredSet,
    SetComparison,
    SetRow,
    SetWord,
    frames_alone,
    with_one_more,
    with_scatter_of,
)

STEP_SIZES_DIFFER = 0.05


def compare_filter_sets(old: MeasuredSet, new: MeasuredSet) -> SetComparison:
    """Compare two measured sets: which filters changed focus, and which moves to update.

    The old offsets are brought to the new run's reference filter and to its steps. Everything is
    stated at 95 %.

    Parameters
    ----------
    old, new : MeasuredSet

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
        raise InputError(
            f"{old.name} and {new.name} have no measured filter in common; at least the reference "
            "filter must be measured in both"
        )
    reference = new.reference if new.reference in shared else shared[0]
    after = change_reference(new, reference)
    before, notices = _in_steps_of(change_reference(old, reference), after)
    if not notices:  # the same focuser
        pairs = ((before, with_scatter_of(before, after)), (after, with_scatter_of(after, before)))
        notices += [notice("scatter_borrowed", run=a.name) for a, b in pairs if a is not b]
        before, after = (changed for _, changed in pairs)
    names = sorted({*old.filters, *new.filters, *old.refused, *new.refused}, key=filter_order)
    rows = tuple(_row(name, before, after, reference) for name in names)
    notices += _reference_moved(rows, reference)
    parfocal, parfocal_reason = _parfocal(after)
    verdict, verdict_reason = _verdict(rows, new.name)
    return SetComparison(
        old_name=old.name,
        new_name=new.name,
        reference=reference,
        verdict=verdict,
        verdict_reason=verdict_reason,
        parfocal=parfocal,
        parfocal_reason=parfocal_reason,
        rows=rows,
        notices=tuple(notices),
    )


def change_reference(measured: MeasuredSet, reference: str) -> MeasuredSet:
    """Count the same offsets from another measured filter; nothing is fitted again."""
    if reference not in measured.filters:
        msg = f"'reference' must be one of {', '.join(measured.filters)}; got {reference!r}"
        raise ValueError(msg)
    if reference == measured.reference:
        return measured
    order = [reference, *(f for f in measured.filters if f != reference)]
    pick = np.eye(len(order))[[measured.filters.index(f) for f in order]]
    contrasts = pick - pick[0]
    covariance = contrasts @ measured.covariance_steps2 @ contrasts.T
    return replace(
        measured,
        filters=tuple(order),
        offset_steps=contrasts @ measured.offset_steps,
        covariance_steps2=covariance,
        half95_steps=tuple(measured.factor95 * np.sqrt(np.diag(covariance))),
        # What two other filters' frames know of their difference is not stored.
        frames_sigma_steps=(),
        sweeps=tuple((pick @ measured.sweeps).astype(int).tolist()) if measured.sweeps else (),
    )


def _in_steps_of(old: MeasuredSet, new: MeasuredSet) -> tuple[MeasuredSet, list[Notice]]:
    """The old offsets in the new run's steps; as they are where a step size is unknown."""
    factor, notices = 1.0 if old.outward == new.outward else -1.0, []
    if old.um_per_step is not None and new.um_per_step is not None:
        ratio = old.um_per_step.value / new.um_per_step.value
        own = math.hypot(old.um_per_step.relative, new.um_per_step.relative)
        if abs(ratio - 1) > max(STEP_SIZES_DIFFER, 3 * own):
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


def _row(name: str, old: MeasuredSet, new: MeasuredSet, reference: str) -> SetRow:
    before, after = old.offset(name), new.offset(name)
    zone = new.zone_steps.get(name, old.zone_steps.get(name))
    known: dict[str, Any] = {"filter": name, "reference": reference, "zone_steps": zone}
    for run, offset in (("old", before), ("new", after)):
        if offset:
            known |= {
                f"{run}_offset_steps": offset[0],
                f"{run}_sigma_steps": offset[1],
                f"{run}_move_steps": round(offset[0]),
            }
    if after:
        known["parfocal"] = _inside(after, zone, new.factor95)
    um = new.um_per_step.value if new.um_per_step else None
    if name == reference:
        return SetRow(
            **known, change="unchanged", change_steps=0.0, change_sigma_steps=0.0,
            change_um=None if um is None else 0.0, significant=False, update=False,
            reason=Finding("set_reference"),
        )  # fmt: skip
    if before is None or after is None:
        return _one_sided(SetRow(**known, change="cannot tell"), old, new)
    change, sigma = after[0] - before[0], math.hypot(before[1], after[1])
    half95 = math.hypot(old.factor95 * before[1], new.factor95 * after[1])
    sense = 1 if new.outward == "increasing" else -1
    row = SetRow(
        **known, change="cannot tell", change_steps=change, change_sigma_steps=sigma,
        change_um=None if um is None else change * um * sense, significant=abs(change) > half95,
    )  # fmt: skip
    word, why = _judged(row, old, new, half95)
    return replace(row, change=word, update=word == "changed", reason=why)


def _one_sided(row: SetRow, old: MeasuredSet, new: MeasuredSet) -> SetRow:
    name, in_old = row.filter, row.old_offset_steps is not None
    missing_from = new if in_old else old
    if name in missing_from.refused:
        why = missing_from.refused[name]
        return replace(row, reason=Finding("refused_in", name=name, run=missing_from.name, why=why))
    if in_old or name in old.refused:
        gone = Finding("only_in_old", name=name, run=new.name)
        return replace(row, change="only in old", reason=gone)
    fresh = Finding("only_in_new", name=name, run=old.name, move=row.new_move_steps)
    return replace(row, change="only in new", update=True, reason=fresh)


def _judged(
    row: SetRow, old: MeasuredSet, new: MeasuredSet, half95: float
) -> tuple[Change, Finding]:
    """Changed if the change leaves the zone or is significant; unchanged if neither can be."""
    change, sigma = row.change_steps or 0.0, row.change_sigma_steps or 0.0
    zone, significant = row.zone_steps, row.significant
    size, moves = {"change": change, "half95": half95}, (row.old_move_steps, row.new_move_steps)
    if zone is None and significant:
        return "changed", Finding("changed", **size, moves=moves)
    if zone is None:
        return "cannot tell", Finding("perhaps_changed", **size)
    size["zone"] = zone
    if abs(change) + half95 <= zone:
        return "unchanged", Finding("real_but_inside" if significant else "nothing_changed", **size)
    if significant:
        surely = abs(change) - half95 > zone
        return "changed", Finding("leaves_zone", **size, surely=surely, moves=moves)
    # What the frames alone know of the change, and what one more sweep would make of it.
    frames, one_more = frames_alone(old, new, row.filter), None
    if frames is not None and frames <= TELLING * sigma:
        frames, one_more = NORMAL_95 * frames, with_one_more(old, new, row.filter)
    else:
        frames = None
    return "cannot tell", Finding(
        "change_unknown", name=row.filter, **size, frames=frames, one_more=one_more,
        reference=new.reference,
    )  # fmt: skip


def _inside(offset: tuple[float, float], zone: float | None, factor95: float) -> ColourWord:
    """Does the filter stay in its zone at the reference's focus, at 95 %."""
    if zone is None:
        return "cannot tell"
    value, half95 = abs(offset[0]), factor95 * offset[1]
    if value + half95 <= zone:
        return "together"
    return "apart" if value - half95 > zone else "cannot tell"


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
    changed = tuple(r.filter for r in rows if r.change in ("changed", "only in new"))
    unclear = tuple(r.filter for r in rows if r.change == "cannot tell")
    if changed:
        return "changed", Finding("update_moves", filters=changed)
    if unclear:
        return "cannot tell", Finding("filters_unclear", filters=unclear)
    return "unchanged", Finding("moves_hold", run=new_name)


def _reference_moved(rows: tuple[SetRow, ...], reference: str) -> list[Notice]:
    """A notice where all filters changed alike, as they do when the reference itself changed."""
    moved = [r for r in rows if r.change_steps is not None and r.filter != reference]
    if len(moved) < 2 or not all(r.significant for r in moved):
        return []
    changes = np.array([r.change_steps for r in moved], float)
    sigmas = np.array([r.change_sigma_steps for r in moved], float)
    mean = float(np.average(changes, weights=1 / sigmas**2))
    if np.any(np.abs(changes - mean) > NORMAL_95 * sigmas):
        return []
    return [notice("reference_changed", reference=reference, steps=mean)]
