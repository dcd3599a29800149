"""Why an offset is to be entered, ignored or measured again, and what to know beside the table."""

from collections.abc import Sequence
from functools import partial

from .saying import say, signed, spread

_ZONE = "the zone of +-{zone:.1f} steps"


def _of_offset(
    template: str,
    /,
    *,
    offset: float,
    half95: float,
    because: Sequence[str] = (),
    lacks: Sequence[str] = (),
    **facts: float,
) -> str:
    """A sentence about an offset with its interval, and why it is not known better."""
    unknown = f"the zone is not known (it needs {' and '.join(lacks)})"
    text = template.format(spread=spread(offset, half95), unknown=unknown, **facts)
    return f"{text}: {'; '.join(because)}" if because else text


def _remedy(reference: str, name: str, repeated: bool) -> str:
    """What to capture; a reference repeated already did not tell enough."""
    if repeated:
        return f"sweep {reference} right before and after {name}"
    return f"repeat {reference} at the end"


_BETWEEN = "between {after_sweep} and {before_sweep}"
_FRAMES_SAY = "the frames give {found.value:.1f} +- {found.sigma:.1f}; the frames' own was used"

say(
    {
        "reference": "the reference: the other offsets count from it",
        "inside_zone": partial(_of_offset, "the change of {spread} stays inside " + _ZONE),
        "move_reaches_zone": partial(
            _of_offset, "{spread}; after the move focus is inside " + _ZONE
        ),
        "zone_too_small": partial(
            _of_offset, "the offset is {spread}, not known well enough for " + _ZONE
        ),
        "growth_small": partial(
            _of_offset, "{spread}; {unknown}, but the star would grow by less than 5 %"
        ),
        "zone_unknown": partial(_of_offset, "the offset is {spread}, and {unknown}"),
        "not_measured": lambda *, sweeps: (
            "; ".join(dict.fromkeys(reason.rstrip(".") for reason in sweeps))
            or "no sweep of this filter gave a best focus"
        ),
        "nothing_repeated": "no filter was repeated; sweep each filter twice",
        "sweep_again": "sweep {name} again",
        "slip_unplaced": f"the focuser slipped {_BETWEEN}, and on which side of it {{name}} was "
        "swept cannot be told; sweep {name} again",
        "slip_or_drift_here": f"a slip {_BETWEEN} and a drift look alike; sweep {{reference}} once "
        "more",
        "other_nights": "{reference} and {name} were taken on different nights that share no "
        "filter; sweep both in one night",
        "temperature_bounded": lambda *, reference, name, change_degC, steps, repeated: (
            f"the tube {'cooled' if change_degC < 0 else 'warmed'} {abs(change_degC):.1f} degC "
            f"from {reference} to {name}, which may hold up to {steps:.0f} steps of focus drift; "
            f"{_remedy(reference, name, repeated)}"
        ),
        "drift_bounded": lambda *, reference, name, hours, steps, repeated: (
            f"no temperatures were recorded; {hours:.1f} h passed between {reference} and {name}, "
            f"which may hold up to {steps:.0f} steps of cooling; "
            f"{_remedy(reference, name, repeated)}"
        ),
        "direction_bounded": lambda *, reference, name, opposite, steps: (
            f"{reference} and {name} were approached "
            f"{'from opposite sides' if opposite else 'not surely from the same side'}, which may "
            f"hold up to {steps:.0f} steps of backlash; sweep every filter in the same direction"
        ),
        "drift_not_separated": "these frames cannot tell drift from filter: {effect}; the stated "
        "uncertainties allow for it",
        "no_temperature": lambda *, allowed_degC_per_hour=None: (
            "neither temperatures nor times are known for all sweeps, so drift between "
            "the filters cannot be seen and is not in the stated uncertainties"
            if allowed_degC_per_hour is None
            else f"no temperatures were recorded; cooling by up to {allowed_degC_per_hour:g} degC "
            "an hour was allowed for"
        ),
        "drift_in_time": "no temperatures were recorded; a steady drift in time was fitted to the "
        "repeats",
        "reference_refused": "the reference {wanted} gave no best focus; offsets count from "
        "{reference} instead",
        "nothing_measured": "none of the sweeps gave a best focus",
        "no_repeats": "no filter was swept twice: {frames_steps:.1f} of the {sigma_steps:.1f} "
        "steps of uncertainty is from the frames, the rest is what focusers commonly scatter; "
        "sweep {reference} twice more to learn yours",
        "repeats_scatter": "repeats scatter {birge_ratio:.1f} times as much as the curves' own "
        "uncertainty; the stated uncertainties hold a run-to-run scatter of {scatter_steps:.1f} "
        "steps",
        "slip": lambda *, after_sweep, before_sweep, steps: (
            f"the focuser or the mirror slipped between {after_sweep} and {before_sweep}, by "
            f"{signed(steps.value, 0)} +- {steps.sigma:.0f} steps; offsets were worked out "
            "piecewise"
        ),
        "slip_or_drift": f"either the focuser slipped {_BETWEEN}, by about {{steps:+.0f}} steps, "
        "or focus drifts faster than tubes do; these frames cannot tell, and the stated "
        "uncertainties hold both: sweep {reference} once more, or state steps_per_degC",
        "night_disagrees": "{name} stands {steps.value:+.0f} +- {steps.sigma:.0f} steps off its "
        "other nights on night {night}; it counts for itself there",
        "temperature_disagrees": "the setup states a temperature coefficient of {stated:g} steps "
        f"per degC, {_FRAMES_SAY}",
        "direction_disagrees": f"the setup states a backlash of {{stated:g}} steps, {_FRAMES_SAY}",
        "field_without_step_size": "the size of a focuser step is not known",
        "field_without_stars": "only {stars} stars could be followed, {needed} are needed",
        "field_not_covered": "the stars do not reach over the whole frame",
    }
)
