"""What the person should know about the adjustment, in plain words with the numbers."""

import numpy as np
from scipy.stats import chi2

from ..estimate import Notice
from ..setup import Setup
from .adjustment import Adjustment
from .drift_words import bounded_effects
from .sweeps import BestFocusData
from .terms import COOLING_DEGC_PER_HOUR, TermChoice, stated_prior

INCONSISTENT = 0.01


def cautions(data: BestFocusData, choice: TermChoice, reference: str) -> dict[str, str]:
    """For each filter the reason why its offset is not known better."""
    by_filter = {}
    repeated = len(data.ids) > len(data.names)
    for name in data.names:
        parts = [e.text for e in bounded_effects(data, choice, reference=reference, name=name)]
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
    slips: tuple[str, ...] | None,
) -> tuple[Notice, ...]:
    """Everything about the adjustment that a person should see beside the table."""
    notices = []
    if wanted is not None and wanted != reference:
        text = f"the reference {wanted} gave no best focus; offsets count from {reference} instead"
        notices.append(Notice("reference_refused", text))
    notices += _drift_notices(data, choice, reference)
    if len(data.ids) == len(data.names) and len(data.ids) > 1:
        notices.append(
            Notice(
                "no_repeats",
                "no filter was swept twice, so how well the focuser repeats is taken from common "
                f"practice; repeat {reference} at the end to measure it",
            )
        )
    notices += _consistency(adjustment)
    notices += _disagreements(adjustment, choice, setup)
    notices += [Notice("slip", sentence) for sentence in slips or ()]
    return tuple(notices)


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
