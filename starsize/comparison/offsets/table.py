"""The offset table: one row per filter, what to do with it and why, and what else to say of it."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.special import chdtrc

from ...curves import radius_at
from ...curves.fitted import CurveFit, CurveSet
from ...estimate import Estimate, Finding, Notice, notice
from ...filters import filter_order
from ..compared import Action, OffsetRow, Slip
from .adjustment import Interval
from .found import ZONE_NEEDS, Found
from .terms import COOLING_DEGC_PER_HOUR, stated_prior

#: Where the zone is not known: a move is good enough if the star then grows by less than this.
GROWTH_ALLOWED = 0.05
#: Repeats that scatter as they do by chance in fewer nights than this are said to.
INCONSISTENT = 0.01
#: Effects below half a step move nothing.
WORTH_SAYING_STEPS = 0.5


def choose_reference(counts: Mapping[str, int], wanted: str | None) -> str:
    """The reference: as wanted if it is measured, else L, else the filter with most sweeps."""
    if wanted is not None and wanted in counts:
        return wanted
    if "L" in counts:
        return "L"
    return min(counts, key=lambda name: (-counts[name], filter_order(name)))


def offset_table(curves: CurveSet, reference: str, found: Found | None) -> tuple[OffsetRow, ...]:
    """One row for every filter with a sweep; ``found`` is None where none was answered."""
    fits: dict[str, list[CurveFit]] = {}
    for fit in curves.fits:
        fits.setdefault(fit.curve.filter, []).append(fit)
    offsets, focus = {}, {}
    if found:
        adjusted = found.adjustment
        offsets = adjusted.offsets(reference)
        focus = dict(zip(offsets, adjusted.intervals(adjusted.focus), strict=True))
    rows = []
    for name in sorted(fits, key=filter_order):
        answered = [f for f in fits[name] if f.answered]
        stars = np.concatenate([f.curve.n_stars[f.used] for f in answered or fits[name]])
        why = tuple(f.reason for f in fits[name] if f.reason)
        row = OffsetRow(
            filter=name, reference=reference, status="refused", sweeps=len(answered),
            frames=stars.size, stars=int(np.median(stars)) if stars.size else 0,
            reason=Finding("not_measured", sweeps=why),
        )  # fmt: skip
        if found and name in offsets:
            row = _measured(row, found, answered, focus[name], offsets[name])
        rows.append(row)
    return tuple(rows)


def _measured(
    row: OffsetRow, found: Found, fits: Sequence[CurveFit], focus: Interval, offset: Interval
) -> OffsetRow:
    """The row of a filter with an answer."""
    name, zone = row.filter, found.zone_steps.get(row.filter)
    row = replace(
        row, status="measured", best_focus_steps=focus.value,
        best_focus_sigma_steps=focus.sigma, offset_steps=offset.value,
        offset_sigma_steps=offset.sigma, move_steps=round(offset.value),
        offset_um=found.scale.micrometres(offset.value), zone_steps=zone,
        sigma_frames_steps=offset.frames, sigma_focuser_steps=offset.focuser,
        offset_half997_steps=offset.half997,
    )  # fmt: skip
    if name == found.reference:
        return replace(row, action="ignore", reason=Finding("reference"))
    band = () if found.setup.band(name) else (f"wavelength_nm under [filters.{name}]",)
    action, reason = decide(
        offset, zone, growth_depth_steps(fits),
        lacks=(*found.zones_lack, *band), because=cautions(found, name),
    )  # fmt: skip
    grown = growth_if_ignored(found.fits[name], offset.estimate)
    return replace(row, action=action, reason=reason, growth_if_ignored=grown)


def decide(
    offset: Interval,
    zone: float | None,
    depth: float | None = None,
    *,
    lacks: Sequence[str] = ZONE_NEEDS,
    because: Sequence[Finding] = (),
) -> tuple[Action, Finding]:
    """What to do at a filter change, and why.

    ``ignore`` if the whole 95 % interval lies inside the zone; ``move`` if after the rounded move
    the focus is inside the zone at 95 %; ``refocus`` if neither can be promised. Without a zone
    nothing can be ignored, and a move is good enough if it leaves the star within 5 % of its
    smallest radius, ``depth`` steps from best focus. ``because`` goes with a ``refocus``.
    """
    left = abs(offset.value - round(offset.value)) + offset.half95
    known = {"offset": offset.value, "half95": offset.half95}
    if zone is not None:
        if abs(offset.value) + offset.half95 <= zone:
            return "ignore", Finding("inside_zone", **known, zone=zone)
        if left <= zone:
            return "move", Finding("move_reaches_zone", **known, zone=zone)
        return "refocus", Finding("zone_too_small", **known, zone=zone, because=tuple(because))
    if depth is not None and left <= depth:
        return "move", Finding("growth_small", **known, lacks=lacks)
    return "refocus", Finding("zone_unknown", **known, lacks=lacks, because=tuple(because))


def growth_depth_steps(fits: Sequence[CurveFit]) -> float | None:
    """Distance from best focus at which the sharpest curve's radius has grown by 5 %.

    From radius^2 = floor^2 + (slope x)^2.
    """
    grown = math.sqrt((1 + GROWTH_ALLOWED) ** 2 - 1)
    depths = [
        fit.floor_px.value / fit.slope_px_per_step.value * grown
        for fit in fits
        if fit.answered and fit.floor_px.is_known and fit.slope_px_per_step.value > 0
    ]
    return min(depths, default=None)


def growth(fit: CurveFit | None, defocus_steps: float) -> float | None:
    """Radius at a distance from best focus over the smallest radius, from the filter's curve."""
    if fit is None or not fit.answered:
        return None
    if not fit.shape:
        # A fit that somebody brought with no more than floor and slope is a hyperbola.
        rise = fit.slope_px_per_step.value * defocus_steps / fit.floor_px.value
        return math.hypot(1.0, rise) if math.isfinite(rise) else None
    there, smallest = radius_at(fit, fit.best_steps + np.array([defocus_steps, 0.0]))
    return float(there / smallest) if np.isfinite(there) and smallest > 0 else None


def growth_if_ignored(fit: CurveFit | None, offset: Estimate) -> Estimate | None:
    """Fraction by which stars grow if the reference's position is kept, in the seeing of the sweep.

    ``offset`` is the filter's best focus minus the reference's, in steps; its uncertainty carries
    over as the difference that one sigma to either side makes.
    """
    places = [growth(fit, -(offset.value + side * offset.sigma)) for side in (0.0, -1.0, 1.0)]
    grown = [place for place in places if place is not None]
    if len(grown) < len(places):
        return None
    return Estimate(grown[0] - 1, max(abs(side - grown[0]) for side in grown))


def cautions(found: Found, name: str) -> list[Finding]:
    """The reasons why the offset of a filter is not known better."""
    data, changes = found.adjustment.data, found.changes
    sweeps = {one for one, f in zip(data.ids, data.filters, strict=True) if f == name}
    # Slips that may or may not have come before all sweeps of a filter, which is lost then.
    why = [
        Finding("slip_unplaced", name=name, **_place(slip))
        for slip in changes.slips or ()
        if sweeps <= set(slip.between)
    ]
    why += bounded_effects(found, name)
    if changes.in_doubt is not None:
        place = _place(changes.in_doubt)
        why.append(Finding("slip_or_drift_here", reference=found.reference, **place))
    usual = Finding("sweep_again", name=name) if data.repeated else Finding("nothing_repeated")
    return why or [usual]


def notices_of(found: Found, wanted: str | None) -> Iterator[Notice]:
    """Everything about the adjustment that a person should see beside the table."""
    adjustment, changes, reference = found.adjustment, found.changes, found.reference
    if wanted is not None and wanted != reference:
        yield notice("reference_refused", wanted=wanted, reference=reference)
    yield from _drift_notices(found)
    if len(adjustment.filters) > 1 and not adjustment.data.repeated:
        # How much of the uncertainty the frames bring.
        others = [one for name, one in adjustment.offsets(reference).items() if name != reference]
        half = sorted(others, key=lambda one: one.sigma)[len(others) // 2]
        steps = {"frames_steps": half.frames, "sigma_steps": half.sigma}
        yield notice("no_repeats", reference=reference, **steps)
    ratio, scatter = adjustment.birge_ratio, adjustment.scatter.value
    if ratio is not None and chdtrc(adjustment.dof, adjustment.chi2) <= INCONSISTENT:
        yield notice("repeats_scatter", birge_ratio=ratio, scatter_steps=scatter)
    yield from _disagreements(found)
    for slip in changes.slips or ():
        yield notice("slip", **_place(slip), steps=slip.steps)
    if (doubt := changes.in_doubt) is not None:
        steps = {"steps": doubt.steps.value}
        yield notice("slip_or_drift", reference=reference, **_place(doubt), **steps)
    for odd in changes.odd:
        yield notice("night_disagrees", name=odd.filter, night=odd.night, steps=odd.steps)


def _place(slip: Slip) -> dict[str, str]:
    return {"after_sweep": slip.after_sweep, "before_sweep": slip.before_sweep}


def _drift_notices(found: Found) -> Iterator[Notice]:
    """What a bounded term may do to the filter that it harms most, and what drift stands on."""
    data = found.adjustment.data
    others = (name for name in data.names if name != found.reference)
    if effects := [effect for name in others for effect in bounded_effects(found, name)]:
        worst = max(effects, key=lambda effect: effect.facts["steps"])
        yield notice("drift_not_separated", effect=worst)
    drift = found.adjustment.source("drift")
    if drift == "frames":
        yield notice("drift_in_time")
    elif drift == "bound":
        yield notice("no_temperature", allowed_degC_per_hour=COOLING_DEGC_PER_HOUR)
    elif data.reference_degC is None and len(data.ids) > 1:
        yield notice("no_temperature")


def _disagreements(found: Found) -> Iterator[Notice]:
    """Where the frames contradict what the setup states."""
    for name in ("temperature", "direction"):
        stated = stated_prior(name, found.setup)
        if stated is None or found.adjustment.source(name) != "frames":
            continue
        term = found.adjustment.term(name)
        if abs(term.value - stated[0]) > np.hypot(term.half997, 3 * stated[1]):
            yield notice(f"{name}_disagrees", stated=stated[0], found=term.estimate)


def bounded_effects(found: Found, name: str) -> list[Finding]:
    """Every bounded effect on the offset of one filter from the reference, with its ``steps``."""
    data, reference = found.adjustment.data, found.reference
    filters, repeated = np.array(data.filters), data.filters.count(reference) > 1
    effects: dict[str, Finding] = {}
    for term in found.adjustment.terms:
        # Mean over the sweeps of the filter less that over those of the reference.
        mine, others = term.column[filters == name], term.column[filters == reference]
        apart = float(np.mean(mine) - np.mean(others))
        # Play and the zero of a night count in full: half-way means that nobody knows.
        steps, code = term.bound * bool(apart), f"{term.name}_bounded"
        facts: dict[str, Any] = {}
        if term.name == "temperature":
            steps, facts = term.bound * abs(apart), {"change_degC": apart, "repeated": repeated}
        elif term.name == "drift":
            steps, facts = term.bound * abs(apart), {"hours": abs(apart), "repeated": repeated}
        elif term.name == "direction":
            facts = {"opposite": abs(apart) > 0.99}
        else:
            code = "other_nights"
        if term.source == "bound" and steps >= WORTH_SAYING_STEPS:
            said = Finding(code, reference=reference, name=name, steps=steps, **facts)
            effects.setdefault(code, said)
    return sorted(effects.values(), key=lambda effect: effect == "other_nights")
