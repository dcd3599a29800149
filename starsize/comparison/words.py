"""What the person should know about the adjustment, in plain words with the numbers."""

import numpy as np
from scipy.stats import chi2

from ..estimate import Notice
from ..setup import Setup
from .compared import Slip
from .drift_words import bounded_effects
from .offsets.adjustment import Adjustment
from .offsets.changes import Changes
from .offsets.sweeps import BestFocusData
from .offsets.terms import COOLING_DEGC_PER_HOUR, TermChoice, stated_prior

INCONSISTENT = 0.01


def cautions(
    data: BestFocusData, choice: TermChoice, reference: str, changes: Changes
) -> dict[str, str]:
    """For each filter the reason why its offset is not known better."""
    by_filter = {}
    doubt = changes.in_doubt
    repeated = len(data.ids) > len(data.names)
    for name in data.names:
        parts = [_untied(data, name, slip) for slip in changes.slips or ()]
        parts = [text for text in parts if text]
        parts += [e.text for e in bounded_effects(data, choice, reference=reference, name=name)]
        if doubt is not None:
            where = f"between {doubt.after_sweep} and {doubt.before_sweep}"
            parts.append(f"a slip {where} and a drift look alike; sweep {reference} once more")
        if not parts and not repeated:
            parts = ["no filter was repeated; sweep each filter twice"]
        elif not parts:
            parts = [f"sweep {name} again"]
        by_filter[name] = "; ".join(parts)
    return by_filter


def notices_of(
    data: BestFocusData,
    adjustment: Adjustment,
    choice: TermChoice,
    *,
    setup: Setup,
    reference: str,
    wanted: str | None,
    changes: Changes,
) -> tuple[Notice, ...]:
    """Everything about the adjustment that a person should see beside the table."""
    notices = []
    if wanted is not None and wanted != reference:
        text = f"the reference {wanted} gave no best focus; offsets count from {reference} instead"
        notices.append(Notice("reference_refused", text))
    notices += _drift_notices(data, choice, reference)
    if len(data.ids) == len(data.names) and len(data.ids) > 1:
        notices.append(Notice("no_repeats", _parts_sentence(adjustment, reference)))
    notices += _consistency(adjustment)
    notices += _disagreements(adjustment, choice, setup)
    notices += [Notice("slip", slip_sentence(slip)) for slip in changes.slips or ()]
    if changes.in_doubt is not None:
        notices.append(Notice("slip_or_drift", doubt_sentence(changes.in_doubt, reference)))
    notices += [
        Notice(
            "night_disagrees",
            f"{odd.filter} stands {odd.steps.value:+.0f} +- {odd.steps.sigma:.0f} steps off its "
            f"other nights on night {odd.night}; it counts for itself there",
        )
        for odd in changes.odd
    ]
    return tuple(notices)


def slip_sentence(slip: Slip) -> str:
    """Where the focuser or the mirror slipped, and by how much."""
    where = f"between {slip.after_sweep} and {slip.before_sweep}"
    size = f"by {slip.steps.value:+.0f} +- {slip.steps.sigma:.0f} steps"
    return f"the focuser or the mirror slipped {where}, {size}; offsets were worked out piecewise"


def doubt_sentence(slip: Slip, reference: str) -> str:
    """That a slip and a slope look alike in these frames, and what would tell them apart."""
    return (
        f"either the focuser slipped between {slip.after_sweep} and {slip.before_sweep}, by about "
        f"{slip.steps.value:+.0f} steps, or focus drifts faster than tubes do; these frames cannot "
        f"tell, and the stated uncertainties hold both: sweep {reference} once more, or state "
        "steps_per_degC"
    )


def _untied(data: BestFocusData, name: str, slip: Slip) -> str:
    """Why a filter is lost whose sweeps all lie where a slip may or may not have come before."""
    sweeps = [one for one, f in zip(data.ids, data.filters, strict=True) if f == name]
    if not set(sweeps) <= set(slip.between):
        return ""
    return (
        f"the focuser slipped between {slip.after_sweep} and {slip.before_sweep}, and on which "
        f"side of it {name} was swept cannot be told; sweep {name} again"
    )


def _parts_sentence(adjustment: Adjustment, reference: str) -> str:
    """How much of the uncertainty the frames bring where nothing was swept twice."""
    offsets = adjustment.offsets(reference)
    known = [o for name, o in zip(adjustment.filters, offsets, strict=True) if name != reference]
    middle = sorted(known, key=lambda o: o.sigma)[len(known) // 2]
    return (
        f"no filter was swept twice: {middle.frames:.1f} of the {middle.sigma:.1f} steps of "
        "uncertainty is from the frames, the rest is what focusers commonly scatter; sweep "
        f"{reference} twice more to learn yours"
    )


def _drift_notices(data: BestFocusData, choice: TermChoice, reference: str) -> list[Notice]:
    """One notice for the filter that a bounded term may harm most."""
    notices = []
    effects = [
        e
        for name in data.names
        if name != reference
        for e in bounded_effects(data, choice, reference=reference, name=name)
    ]
    if effects:
        text = max(effects, key=lambda e: e.steps).text
        notices.append(
            Notice(
                "drift_not_separated",
                f"these frames cannot tell drift from filter: {text}; "
                f"the stated uncertainties allow for it",
            )
        )
    if not np.isfinite(data.temperature_degC).all() and "drift" not in choice.source:
        if len(data.ids) > 1:
            notices.append(
                Notice(
                    "no_temperature",
                    "neither temperatures nor times are known for all sweeps, so drift between "
                    "the filters cannot be seen and is not in the stated uncertainties",
                )
            )
    elif choice.source.get("drift") == "frames" and choice.reference_degC is None:
        notices.append(
            Notice(
                "drift_in_time",
                "no temperatures were recorded; a steady drift in time was fitted to the repeats",
            )
        )
    elif choice.source.get("drift") == "bound":
        notices.append(
            Notice(
                "no_temperature",
                "no temperatures were recorded; cooling by up to "
                f"{COOLING_DEGC_PER_HOUR:g} degC an hour was allowed for",
            )
        )
    return notices


def _consistency(adjustment: Adjustment) -> list[Notice]:
    ratio = adjustment.birge_ratio
    if ratio is None or chi2.sf(adjustment.chi2, adjustment.dof) > INCONSISTENT:
        return []
    return [
        Notice(
            "repeats_scatter",
            f"repeats scatter {ratio:.1f} times as much as the curves' own uncertainty; "
            f"the stated uncertainties hold a run-to-run scatter of "
            f"{adjustment.scatter.value:.1f} steps",
        )
    ]


def _disagreements(adjustment: Adjustment, choice: TermChoice, setup: Setup) -> list[Notice]:
    """Where the frames contradict what the setup states."""
    notices = []
    for name, what, unit in (
        ("temperature", "temperature coefficient", "steps per degC"),
        ("direction", "backlash", "steps"),
    ):
        stated = stated_prior(name, setup)
        if stated is None or choice.source.get(name) != "frames":
            continue
        found = adjustment.term(name)
        if abs(found.value - stated[0]) > 3 * np.hypot(found.sigma, stated[1]):
            notices.append(
                Notice(
                    f"{name}_disagrees",
                    f"the setup states a {what} of {stated[0]:g} {unit}, the frames give "
                    f"{found.value:.1f} +- {found.sigma:.1f}; the frames' own was used",
                )
            )
    return notices
