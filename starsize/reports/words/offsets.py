"""Why an offset is to be entered, ignored or measured again, and what to know beside the table."""

from collections.abc import Sequence

from ...estimate import Estimate
from .phrases import signed, spread
from .saying import says


@says
def reference() -> str:
    """The row that the others count from."""
    return "the reference: the other offsets count from it"


@says
def inside_zone(*, offset: float, half95: float, zone: float) -> str:
    """Nothing to move."""
    return f"the change of {spread(offset, half95)} stays inside the zone of +-{zone:.1f} steps"


@says
def move_reaches_zone(*, offset: float, half95: float, zone: float) -> str:
    """A move that is good enough."""
    after = f"after the move focus is inside the zone of +-{zone:.1f} steps"
    return f"{spread(offset, half95)}; {after}"


@says
def zone_too_small(
    *, offset: float, half95: float, zone: float, because: Sequence[str] = ()
) -> str:
    """An offset that may miss the zone, and why."""
    text = (
        f"the offset is {spread(offset, half95)}, not known well enough for the zone of "
        f"+-{zone:.1f} steps"
    )
    return _because(text, because)


@says
def growth_small(*, offset: float, half95: float, lacks: Sequence[str]) -> str:
    """A move that is good enough although the zone is not known."""
    return (
        f"{spread(offset, half95)}; {_zone_unknown(lacks)}, but the star would grow by less than "
        "5 %"
    )


@says
def zone_unknown(
    *, offset: float, half95: float, lacks: Sequence[str], because: Sequence[str] = ()
) -> str:
    """An offset that cannot be judged."""
    text = f"the offset is {spread(offset, half95)}, and {_zone_unknown(lacks)}"
    return _because(text, because)


@says
def not_measured(*, sweeps: Sequence[str]) -> str:
    """A filter of which no sweep was answered, by what its sweeps say."""
    reasons = dict.fromkeys(reason.rstrip(".") for reason in sweeps)
    return "; ".join(reasons) or "no sweep of this filter gave a best focus"


@says
def slip_unplaced(*, name: str, after_sweep: str, before_sweep: str) -> str:
    """A filter whose sweeps all lie where a slip may or may not have come before."""
    return (
        f"the focuser slipped between {after_sweep} and {before_sweep}, and on which "
        f"side of it {name} was swept cannot be told; sweep {name} again"
    )


@says
def nothing_repeated() -> str:
    """Offsets that rest on one sweep each."""
    return "no filter was repeated; sweep each filter twice"


@says
def sweep_again(*, name: str) -> str:
    """An offset that only more sweeps would better."""
    return f"sweep {name} again"


@says
def other_nights(*, reference: str, name: str, steps: float) -> str:  # noqa: ARG001 -- its rank
    """Filters of nights that nothing ties together."""
    return (
        f"{reference} and {name} were taken on different nights that share no filter; sweep "
        f"both in one night"
    )


@says
def temperature_bounded(
    *, reference: str, name: str, change_degC: float, steps: float, repeated: bool
) -> str:
    """Drift with temperature that the frames cannot tell from the filter."""
    verb = "cooled" if change_degC < 0 else "warmed"
    return (
        f"the tube {verb} {abs(change_degC):.1f} degC from {reference} to {name}, which may hold "
        f"up to {steps:.0f} steps of focus drift; {_remedy(reference, name, repeated)}"
    )


@says
def drift_bounded(*, reference: str, name: str, hours: float, steps: float, repeated: bool) -> str:
    """Drift in time that the frames cannot tell from the filter."""
    return (
        f"no temperatures were recorded; {hours:.1f} h passed between {reference} and {name}, "
        f"which may hold up to {steps:.0f} steps of cooling; {_remedy(reference, name, repeated)}"
    )


@says
def direction_bounded(*, reference: str, name: str, opposite: bool, steps: float) -> str:
    """Play between filters that were approached from two sides."""
    how = "from opposite sides" if opposite else "not surely from the same side"
    return (
        f"{reference} and {name} were approached {how}, which may hold up to "
        f"{steps:.0f} steps of backlash; sweep every filter in the same direction"
    )


@says
def drift_not_separated(*, effect: str) -> str:
    """The bounded effect that may harm most."""
    return (
        f"these frames cannot tell drift from filter: {effect}; "
        "the stated uncertainties allow for it"
    )


@says
def no_temperature(*, allowed_degC_per_hour: float | None = None) -> str:
    """What no thermometer means for the uncertainties."""
    if allowed_degC_per_hour is None:
        return (
            "neither temperatures nor times are known for all sweeps, so drift between "
            "the filters cannot be seen and is not in the stated uncertainties"
        )
    return (
        f"no temperatures were recorded; cooling by up to {allowed_degC_per_hour:g} degC an hour "
        "was allowed for"
    )


@says
def drift_in_time() -> str:
    """A drift that stands in for the thermometer."""
    return "no temperatures were recorded; a steady drift in time was fitted to the repeats"


@says
def reference_refused(*, wanted: str, reference: str) -> str:
    """Another reference than the person asked for."""
    return f"the reference {wanted} gave no best focus; offsets count from {reference} instead"


@says
def nothing_measured() -> str:
    """No offset at all."""
    return "none of the sweeps gave a best focus"


@says
def no_repeats(*, reference: str, frames_steps: float, sigma_steps: float) -> str:
    """How much of the uncertainty the frames bring where nothing was swept twice."""
    return (
        f"no filter was swept twice: {frames_steps:.1f} of the {sigma_steps:.1f} steps of "
        "uncertainty is from the frames, the rest is what focusers commonly scatter; sweep "
        f"{reference} twice more to learn yours"
    )


@says
def repeats_scatter(*, birge_ratio: float, scatter_steps: float) -> str:
    """Repeats that disagree by more than their curves allow."""
    return (
        f"repeats scatter {birge_ratio:.1f} times as much as the curves' own uncertainty; "
        f"the stated uncertainties hold a run-to-run scatter of {scatter_steps:.1f} steps"
    )


@says
def slip(*, after_sweep: str, before_sweep: str, steps: Estimate) -> str:
    """A sudden change of the focuser."""
    return (
        f"the focuser or the mirror slipped between {after_sweep} and {before_sweep}, by "
        f"{signed(steps.value, 0)} +- {steps.sigma:.0f} steps; offsets were worked out piecewise"
    )


@says
def slip_or_drift(*, after_sweep: str, before_sweep: str, steps: float, reference: str) -> str:
    """A slip and a slope that look alike in these frames, and what would tell them apart."""
    return (
        f"either the focuser slipped between {after_sweep} and {before_sweep}, by about "
        f"{signed(steps, 0)} steps, or focus drifts faster than tubes do; these frames cannot "
        f"tell, and the stated uncertainties hold both: sweep {reference} once more, or state "
        "steps_per_degC"
    )


@says
def slip_or_drift_here(*, after_sweep: str, before_sweep: str, reference: str) -> str:
    """The same as the cause of an offset that is not known better."""
    where = f"between {after_sweep} and {before_sweep}"
    return f"a slip {where} and a drift look alike; sweep {reference} once more"


@says
def night_disagrees(*, name: str, night: int, steps: Estimate) -> str:
    """A filter that stands elsewhere on one night."""
    return (
        f"{name} stands {signed(steps.value, 0)} +- {steps.sigma:.0f} steps off its "
        f"other nights on night {night}; it counts for itself there"
    )


@says
def temperature_disagrees(*, stated: float, found: Estimate) -> str:
    """A stated coefficient that the frames contradict."""
    return _contradicted("temperature coefficient", "steps per degC", stated, found)


@says
def direction_disagrees(*, stated: float, found: Estimate) -> str:
    """A stated backlash that the frames contradict."""
    return _contradicted("backlash", "steps", stated, found)


@says
def field_without_step_size() -> str:
    """A field that cannot be put into micrometres."""
    return "the size of a focuser step is not known"


@says
def field_without_stars(*, stars: int, needed: int) -> str:
    """Too few stars for a field."""
    return f"only {stars} stars could be followed, {needed} are needed"


@says
def field_not_covered() -> str:
    """Stars in a part of the frame."""
    return "the stars do not reach over the whole frame"


def _contradicted(what: str, unit: str, stated: float, found: Estimate) -> str:
    return (
        f"the setup states a {what} of {stated:g} {unit}, the frames give "
        f"{found.value:.1f} +- {found.sigma:.1f}; the frames' own was used"
    )


def _because(text: str, causes: Sequence[str]) -> str:
    return f"{text}: {'; '.join(causes)}" if causes else text


def _zone_unknown(lacks: Sequence[str]) -> str:
    return f"the zone is not known (it needs {' and '.join(lacks)})"


def _remedy(reference: str, name: str, repeated: bool) -> str:
    """What to capture; a reference repeated already did not tell enough."""
    if repeated:
        return f"sweep {reference} right before and after {name}"
    return f"repeat {reference} at the end"
