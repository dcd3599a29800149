"""Whether one focus serves all colours, and whether glass or telescope is to blame."""

from collections.abc import Sequence

from ...estimate import Estimate
from .phrases import all_filters
from .saying import says

_REMEDY = "state the thickness of the filters, or measure more filters"


@says
def colours_together(*, count: int, pair: tuple[str, str], gap: Estimate, reach: float) -> str:
    """One position for all."""
    return (
        f"one position lies inside the zone of {all_filters(count)}; the furthest, "
        f"{_gap(pair, gap)}, and {_reach(reach)}"
    )


@says
def colours_apart(*, pair: tuple[str, str], gap: Estimate, reach: float) -> str:
    """No such position."""
    return f"no position lies inside all zones: {_gap(pair, gap)}, and {_reach(reach)}"


@says
def colours_undecided(
    *, pair: tuple[str, str], gap: Estimate, reach: float, same_glass: bool
) -> str:
    """Too close to call."""
    of = "" if same_glass else f" of {' and '.join(pair)}"
    close = f"too close to call at 95 %; take more sweeps{of}"
    return f"{_gap(pair, gap)}, and {_reach(reach)}: {close}"


@says
def nothing_to_compare() -> str:
    """No best focus at all."""
    return "no sweep gave a best focus, so colours cannot be compared"


@says
def one_filter(*, name: str) -> str:
    """Nothing to compare with."""
    return f"only {name} was measured; colour needs at least two filters"


@says
def zone_needs(*, lacks: Sequence[str]) -> str:
    """Zones that are not known."""
    keys = {"focal ratio": "focal_length_mm and aperture_mm", "step size": "um_per_step"}
    missing = " and ".join(f"the {name} ({keys[name]})" for name in lacks)
    return f"the zone is not known: state {missing} in the setup file"


@says
def wavelength_needed(*, filters: Sequence[str]) -> str:
    """Filters without a passband."""
    return (
        f"the wavelength of {', '.join(filters)} is not known: state wavelength_nm in the setup "
        "file"
    )


@says
def one_glass() -> str:
    """A colour camera."""
    return (
        "the colours share one and the same glass in a colour camera, "
        "so what separates them is the telescope's own colour"
    )


@says
def nothing_explains() -> str:
    """Shifts that neither curve nor odd filters follow."""
    return (
        "neither a smooth curve through wavelength nor a few odd filters explain "
        "these shifts: measure each filter again"
    )


@says
def stated_glass(*, span_um: float, verdict: str) -> str:
    """What is left once the stated plates are taken off."""
    rest = {
        "together": "; without it the filters would focus together",
        "too little": ", which is too little to explain it",
        "apart": ", and without it the telescope alone would still keep them apart",
        "cannot tell": "; whether the rest matters cannot be told from these",
    }[verdict]
    return f"the stated glass moves focus by up to {span_um:.0f} um between the filters{rest}"


@says
def smooth_colour() -> str:
    """The telescope's own colour."""
    return (
        "focus follows a smooth curve through wavelength, as a telescope's colour "
        "does and glass of another thickness does not"
    )


@says
def one_of_several(*, sets: Sequence[Sequence[str]]) -> str:
    """Glass, but nobody knows whose."""
    others = " or ".join(", ".join(names) for names in sets)
    return f"some filter's glass is at fault, but which cannot be told: {others}"


@says
def odd_glass(*, odd: Sequence[str], others_apart: bool) -> str:
    """Filters that stand off the curve."""
    more = "; and the others do not focus together either, along a smooth curve"
    return "; ".join(odd) + (more if others_apart else "")


@says
def odd_or_colour(*, odd: Sequence[str]) -> str:
    """Filters that stand off, or a telescope that bends there."""
    return f"{'; '.join(odd)}; but the telescope's own colour may explain it as well: {_REMEDY}"


@says
def glass_or_colour() -> str:
    """Either would do."""
    return (
        "the telescope's own colour explains these shifts, and filters of different "
        f"thickness would as well: {_REMEDY}"
    )


@says
def odd_filter(*, name: str, shift_um: Estimate, extra_glass_mm: Estimate) -> str:
    """How far a filter stands off and what glass would do the same."""
    way, more = ("out", "more") if shift_um.value > 0 else ("in", "less")
    return (
        f"{name} focuses {abs(shift_um.value):.0f} +- {shift_um.sigma:.0f} um further {way} than "
        f"its colour predicts, as {abs(extra_glass_mm.value):.2f} +- {extra_glass_mm.sigma:.2f} "
        f"mm {more} glass would do"
    )


def _gap(pair: tuple[str, str], gap: Estimate) -> str:
    return f"{' and '.join(pair)} focus {gap.value:.1f} +- {gap.sigma:.1f} steps apart"


def _reach(steps: float) -> str:
    return f"their zones reach over {steps:.1f} steps together"
