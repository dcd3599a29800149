"""What the person should know about the adjustment: why offsets are not better, what is odd."""

from collections.abc import Iterator

import numpy as np
from scipy.special import chdtrc

from ...estimate import Finding, Notice, notice
from ..compared import Slip
from .found import Found
from .terms import COOLING_DEGC_PER_HOUR, stated_prior

INCONSISTENT = 0.01

#: Effects below half a step move nothing.
WORTH_SAYING_STEPS = 0.5


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
    others = [one for name, one in adjustment.offsets(reference).items() if name != reference]
    if others and not adjustment.data.repeated:
        # How much of the uncertainty the frames bring.
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
    filters, pair = np.array(data.filters), {"reference": reference, "name": name}
    repeated = data.filters.count(reference) > 1
    effects = []
    nights = []
    for term in found.adjustment.terms:
        if term.source != "bound":
            continue
        # Mean over the sweeps of the filter less that over those of the reference.
        mine, others = term.column[filters == name], term.column[filters == reference]
        apart = float(np.mean(mine) - np.mean(others))
        steps = abs(apart) * term.bound
        if term.name == "temperature":
            facts = {"change_degC": apart, "steps": steps, "repeated": repeated}
        elif term.name == "drift":
            facts = {"hours": abs(apart), "steps": steps, "repeated": repeated}
        elif term.name == "direction":
            # Half-way means that nobody knows; the play may then lie either way.
            facts = {"opposite": abs(apart) > 0.99, "steps": term.bound if apart else 0.0}
        else:
            nights += [term.bound] if apart else []
            continue
        effects.append(Finding(f"{term.name}_bounded", **pair, **facts))
    if nights:
        effects.append(Finding("other_nights", **pair, steps=nights[0]))
    return [effect for effect in effects if effect.facts["steps"] >= WORTH_SAYING_STEPS]
