"""What the person should know about the adjustment: why offsets are not better, what is odd."""

from collections.abc import Iterator

import numpy as np
from scipy.special import chdtrc

from ...estimate import Finding, Notice, notice
from ..compared import Slip
from .found import Found
from .sweeps import BestFocusData
from .terms import COOLING_DEGC_PER_HOUR, stated_prior

INCONSISTENT = 0.01

#: Effects below half a step move nothing.
WORTH_SAYING_STEPS = 0.5


def cautions(found: Found) -> dict[str, list[Finding]]:
    """For each filter the reasons why its offset is not known better."""
    data, changes = found.data, found.changes
    repeated = len(data.ids) > len(data.names)
    by_filter = {}
    for name in data.names:
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
        if not why:
            why = [Finding("sweep_again", name=name) if repeated else Finding("nothing_repeated")]
        by_filter[name] = why
    return by_filter


def notices_of(found: Found, wanted: str | None) -> Iterator[Notice]:
    """Everything about the adjustment that a person should see beside the table."""
    data, adjustment, changes = found.data, found.adjustment, found.changes
    reference = found.reference
    if wanted is not None and wanted != reference:
        yield notice("reference_refused", wanted=wanted, reference=reference)
    yield from _drift_notices(found)
    if len(data.ids) == len(data.names) and len(data.ids) > 1:
        # How much of the uncertainty the frames bring.
        offsets = zip(adjustment.filters, adjustment.offsets(reference), strict=True)
        known = sorted((o for f, o in offsets if f != reference), key=lambda o: o.sigma)
        half = known[len(known) // 2]
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
    data, choice = found.data, found.choice
    others = (name for name in data.names if name != found.reference)
    if effects := [effect for name in others for effect in bounded_effects(found, name)]:
        worst = max(effects, key=lambda effect: effect.facts["steps"])
        yield notice("drift_not_separated", effect=worst)
    drift = choice.source.get("drift")
    if not np.isfinite(data.temperature_degC).all() and drift is None:
        if len(data.ids) > 1:
            yield notice("no_temperature")
    elif drift == "frames":
        yield notice("drift_in_time")
    elif drift == "bound":
        yield notice("no_temperature", allowed_degC_per_hour=COOLING_DEGC_PER_HOUR)


def _disagreements(found: Found) -> Iterator[Notice]:
    """Where the frames contradict what the setup states."""
    for name in ("temperature", "direction"):
        stated = stated_prior(name, found.setup)
        if stated is None or found.choice.source.get(name) != "frames":
            continue
        term = found.adjustment.term(name)
        if abs(term.value - stated[0]) > np.hypot(term.half997, 3 * stated[1]):
            yield notice(f"{name}_disagrees", stated=stated[0], found=term.estimate)


def bounded_effects(found: Found, name: str) -> list[Finding]:
    """Every bounded effect on the offset of one filter from the reference, with its ``steps``."""
    data, choice, reference = found.data, found.choice, found.reference
    bounded = {t.name: t.column for t in choice.terms if choice.source[t.name] == "bound"}
    pair = {"reference": reference, "name": name}
    repeated = data.filters.count(reference) > 1
    effects = []
    for term in [t for t in ("temperature", "drift", "direction") if t in bounded]:
        size, apart = choice.bound[term], _between(data, bounded[term], reference, name)
        if term == "temperature":
            facts = {"change_degC": apart, "steps": abs(apart) * size, "repeated": repeated}
        elif term == "drift":
            facts = {"hours": abs(apart), "steps": abs(apart) * size, "repeated": repeated}
        else:
            # Half-way means that nobody knows; the play may then lie either way.
            facts = {"opposite": abs(apart) > 0.99, "steps": size if apart else 0.0}
        effects.append(Finding(f"{term}_bounded", **pair, **facts))
    nights = sorted(t for t in bounded if t.startswith("night"))
    if any(_between(data, bounded[n], reference, name) for n in nights):
        effects.append(Finding("other_nights", **pair, steps=choice.bound[nights[0]]))
    return [effect for effect in effects if effect.facts["steps"] >= WORTH_SAYING_STEPS]


def _between(data: BestFocusData, values: np.ndarray, reference: str, name: str) -> float:
    """Mean over the sweeps of one filter minus that over the sweeps of the reference."""
    filters = np.array(data.filters)
    return float(np.mean(values[filters == name]) - np.mean(values[filters == reference]))
