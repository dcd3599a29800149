"""What the person should know about the adjustment, in plain words with the numbers."""

import numpy as np
from scipy.stats import chi2

from ..estimate import Notice
from ..setup import Setup
from .adjustment import Adjustment
from .sweeps import BestFocusData
from .terms import COOLING_DEGC_PER_HOUR, TermChoice, stated_prior

INCONSISTENT = 0.01
SLIP_SIGMA = 4.0


def cautions(data: BestFocusData, choice: TermChoice, reference: str) -> dict[str, str]:
    """For each filter the reason why its offset is not known better."""
    by_filter = {}
    repeated = len(data.ids) > len(data.names)
    for name in data.names:
        parts = [text for text, _ in _bounded_effects(data, choice, reference, name)]
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
    for sentence in slips_seen(data, adjustment) or ():
        notices.append(Notice("slip", sentence))
    return tuple(notices)


def slips_seen(data: BestFocusData, adjustment: Adjustment) -> tuple[str, ...] | None:
    """Sweeps that stand off their repeats by far more than the others do; None if untestable."""
    counts = {name: data.filters.count(name) for name in data.names}
    tested = [i for i, name in enumerate(data.filters) if counts[name] > 1]
    if adjustment.dof < 2 or len(tested) < 3:
        return None
    found = []
    residual = adjustment.residual_steps
    for i in tested:
        others = np.delete(residual[tested], tested.index(i))
        # The usual robust scale, 1.4826 x median absolute deviation, of all the others.
        usual = max(1.4826 * float(np.median(np.abs(others))), 1e-9)
        own = float(np.sqrt(data.covariance_steps2[i, i]))
        if abs(residual[i]) > SLIP_SIGMA * np.hypot(usual, own):
            found.append(
                f"{data.ids[i]} stands {residual[i]:+.0f} steps off its repeats, where the others "
                f"scatter by {usual:.1f}: the focuser or the mirror may have slipped"
            )
    return tuple(found)


def _bounded_effects(
    data: BestFocusData, choice: TermChoice, reference: str, name: str
) -> list[tuple[str, float]]:
    """Sentence and size in steps of what a bounded term may put into one filter's offset."""
    effects: list[tuple[str, float]] = []
    if name == reference:
        return effects
    columns = {t.name: t.column for t in choice.terms}

    def apart(values: np.ndarray) -> float:
        own = [values[i] for i, f in enumerate(data.filters) if f == name]
        its = [values[i] for i, f in enumerate(data.filters) if f == reference]
        return float(np.mean(own) - np.mean(its))

    if choice.source.get("temperature") == "bound":
        change = apart(data.temperature_degC)
        size = abs(change) * choice.bound["temperature"]
        verb = "cooled" if change < 0 else "warmed"
        text = (
            f"the tube {verb} {abs(change):.1f} degC from {reference} to {name}, which may hold "
            f"up to {size:.0f} steps of focus drift; repeat {reference} at the end"
        )
        if size >= 0.5:
            effects.append((text, size))
    if choice.source.get("drift") == "bound":
        hours = abs(apart(columns["drift"]))
        size = hours * choice.bound["drift"]
        text = (
            f"no temperatures were recorded; {hours:.1f} h passed between {reference} and {name}, "
            f"which may hold up to {size:.0f} steps of cooling; repeat {reference} at the end"
        )
        if size >= 0.5:
            effects.append((text, size))
    if choice.source.get("direction") == "bound" and apart(columns["direction"]):
        size = abs(apart(columns["direction"])) * choice.bound["direction"]
        effects.append(
            (
                f"{reference} and {name} were approached from opposite sides, which may hold up "
                f"to {size:.0f} steps of backlash; sweep every filter in the same direction",
                size,
            )
        )
    apart_in_nights = [
        n for n, s in choice.source.items() if n.startswith("night") and s == "bound"
    ]
    if any(apart(columns[n]) for n in apart_in_nights):
        effects.append(
            (
                f"{reference} and {name} were taken on different nights that share no filter; "
                f"sweep both in one night",
                choice.bound[apart_in_nights[0]],
            )
        )
    return effects


def _drift_notices(data: BestFocusData, choice: TermChoice, reference: str) -> list[Notice]:
    """One notice for the filter that a bounded term may harm most."""
    notices = []
    effects = [
        (size, name, text)
        for name in data.names
        for text, size in _bounded_effects(data, choice, reference, name)
    ]
    if effects:
        _, _, text = max(effects)
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
            f"repeats scatter {ratio:.1f} times as much as the curves' own uncertainty (Birge "
            f"ratio); the stated uncertainties hold a run-to-run scatter of "
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
