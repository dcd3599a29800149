"""What changed between two filter sets, and which moves to enter anew."""

from collections.abc import Sequence

from .phrases import all_filters, signed, spread
from .saying import says


@says
def set_reference() -> str:
    """The row that the others count from."""
    return "the reference: a change of its own shows as the same change in all others"


@says
def refused_in(*, name: str, run: str, why: str) -> str:
    """A filter that one run could not measure."""
    return f"{name} gave no best focus in {run}: {why}"


@says
def only_in_old(*, name: str, run: str) -> str:
    """A filter that is gone."""
    return f"{name} was not measured in {run}"


@says
def only_in_new(*, name: str, run: str, move: int | None) -> str:
    """A filter that is new."""
    enter = f"; enter a move of {move:+d} steps" if move else ""
    return f"{name} was not measured in {run}{enter}"


@says
def changed(*, change: float, half95: float, moves: tuple[int, int]) -> str:
    """A change that is real, with no zone to judge it by."""
    return f"{spread(change, half95)}; {_replace(moves)}"


@says
def perhaps_changed(*, change: float, half95: float) -> str:
    """A change that may be nothing, with no zone to judge it by."""
    return (
        f"{spread(change, half95)}, not significant; without the zone (focal ratio and step size) "
        "nobody can say whether it matters"
    )


@says
def real_but_inside(*, change: float, half95: float, zone: float) -> str:
    """A change that does not matter."""
    return f"{spread(change, half95)}, real but inside {_zone(zone)}; the old move still serves"


@says
def nothing_changed(*, change: float, half95: float, zone: float) -> str:
    """No change that matters."""
    return f"{spread(change, half95)}, not significant and inside {_zone(zone)}"


@says
def leaves_zone(
    *, change: float, half95: float, zone: float, surely: bool, moves: tuple[int, int]
) -> str:
    """A change that matters, or may."""
    where = "outside" if surely else "it may leave"
    return f"{spread(change, half95)}, {where} {_zone(zone)}; {_replace(moves)}"


@says
def change_unknown(
    *,
    name: str,
    change: float,
    half95: float,
    zone: float,
    frames: float | None = None,
    one_more: float | None = None,
    reference: str = "",
) -> str:
    """A change that is not known well enough, what the frames alone say, and what would tell."""
    said = f"{spread(change, half95)}, not known well enough for {_zone(zone)}"
    if frames is None:
        return f"{said}: measure {name} again"
    said += (
        f"; the frames alone say {signed(change)} +- {frames:.1f}, the rest is what focusers "
        "commonly scatter"
    )
    if one_more is None:
        return f"{said}: measure {name} again"
    return f"{said}: one more sweep of {reference} in each run makes it about +-{one_more:.0f}"


@says
def scatter_borrowed(*, run: str) -> str:
    """A run without repeats."""
    return (
        f"nothing was swept twice in {run}, so the scatter of its focuser is taken from the "
        "repeats of the other run"
    )


@says
def parfocal(*, count: int, verdict: str) -> str:
    """Whether the new set shares one focus."""
    return {
        "together": f"one focus position lies inside the zone of {all_filters(count)}",
        "apart": f"no one focus position lies inside the zone of {all_filters(count)}",
        "cannot tell": f"whether one focus position serves {all_filters(count)} is too close "
        "to call at 95 %; take more sweeps",
    }[verdict]


@says
def zones_not_known() -> str:
    """Nothing to judge one focus by."""
    return "the zones are not known: state focal ratio and step size"


@says
def update_moves(*, filters: Sequence[str]) -> str:
    """What to enter anew."""
    return f"update the moves of {', '.join(filters)}"


@says
def filters_unclear(*, filters: Sequence[str]) -> str:
    """What nobody can tell."""
    return f"not known well enough: {', '.join(filters)}"


@says
def moves_hold(*, run: str) -> str:
    """Nothing to enter."""
    return f"every filter of {run} still focuses where the old moves put it"


@says
def step_size_changed(*, old: str, new: str, old_um: float, new_um: float) -> str:
    """Steps of two sizes."""
    return (
        f"the step is {old_um:.3g} um in {old} and {new_um:.3g} um in {new}; the old offsets were "
        "converted"
    )


@says
def reference_changed(*, reference: str, steps: float) -> str:
    """All filters changed alike."""
    return (
        f"all filters changed alike, by {signed(steps)} steps: it is the reference {reference} "
        "that focuses elsewhere now, not the others"
    )


def _zone(steps: float) -> str:
    return f"the zone of +-{steps:.1f} steps"


def _replace(moves: tuple[int, int]) -> str:
    old, new = moves
    return f"replace the move of {old:+d} by {new:+d} steps"
