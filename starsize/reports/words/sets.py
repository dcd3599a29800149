"""What changed between two filter sets, and which moves to enter anew."""

from functools import partial

from .saying import all_filters, say, signed, spread

_ZONE = "the zone of +-{zone:.1f} steps"
_REPLACE = "replace the move of {moves[0]:+d} by {moves[1]:+d} steps"


def _of_change(template: str, /, *, change: float, half95: float, **facts: object) -> str:
    return f"{spread(change, half95)}{template.format(**facts)}"


def _change_unknown(
    *,
    frames: float | None = None,
    one_more: float | None = None,
    reference: str = "",
    change: float,
    half95: float,
    **facts: object,
) -> str:
    """What the frames alone say of a change not known well enough, and what would tell."""
    alone, remedy = "", f"measure {facts['name']} again"
    if frames is not None:
        alone = (
            f"; the frames alone say {signed(change)} +- {frames:.1f}, the rest is what focusers "
            "commonly scatter"
        )
        if one_more is not None:
            remedy = f"one more sweep of {reference} in each run makes it about +-{one_more:.0f}"
    said = f", not known well enough for {_ZONE}{alone}: {remedy}"
    return _of_change(said, change=change, half95=half95, **facts)


_PARFOCAL = {
    "together": "one focus position lies inside the zone of {}",
    "apart": "no one focus position lies inside the zone of {}",
    "cannot tell": "whether one focus position serves {} is too close to call at 95 %; take more "
    "sweeps",
}

say(
    {
        "set_reference": "the reference: a change of its own shows as the same change in all "
        "others",
        "refused_in": "{name} gave no best focus in {run}: {why}",
        "only_in_old": "{name} was not measured in {run}",
        "only_in_new": lambda *, name, run, move: (
            f"{name} was not measured in {run}"
            + (f"; enter a move of {move:+d} steps" if move else "")
        ),
        "changed": partial(_of_change, f"; {_REPLACE}"),
        "perhaps_changed": partial(
            _of_change,
            ", not significant; without the zone (focal ratio and step size) nobody can say "
            "whether it matters",
        ),
        "real_but_inside": partial(
            _of_change, f", real but inside {_ZONE}; the old move still serves"
        ),
        "nothing_changed": partial(_of_change, f", not significant and inside {_ZONE}"),
        "leaves_zone": lambda *, surely, **facts: _of_change(
            f", {'outside' if surely else 'it may leave'} {_ZONE}; {_REPLACE}", **facts
        ),
        "change_unknown": _change_unknown,
        "scatter_borrowed": "nothing was swept twice in {run}, so the scatter of its focuser is "
        "taken from the repeats of the other run",
        "parfocal": lambda *, count, verdict: _PARFOCAL[verdict].format(all_filters(count)),
        "zones_not_known": "the zones are not known: state focal ratio and step size",
        "update_moves": lambda *, filters: f"update the moves of {', '.join(filters)}",
        "filters_unclear": lambda *, filters: f"not known well enough: {', '.join(filters)}",
        "moves_hold": "every filter of {run} still focuses where the old moves put it",
        "step_size_changed": "the step is {old_um:.3g} um in {old} and {new_um:.3g} um in {new}; "
        "the old offsets were converted",
        "reference_changed": "all filters changed alike, by {steps:+.1f} steps: it is the "
        "reference {reference} that focuses elsewhere now, not the others",
    }
)
