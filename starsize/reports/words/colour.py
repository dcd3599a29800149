"""Whether one focus serves all colours, and whether glass or telescope is to blame."""

from collections.abc import Sequence

from ...estimate import Estimate
from .saying import all_filters, say

_REMEDY = "state the thickness of the filters, or measure more filters"
_GAP = "{pair[0]} and {pair[1]} focus {gap.value:.1f} +- {gap.sigma:.1f} steps apart"
_REACH = "their zones reach over {reach:.1f} steps together"
_KEYS = {"focal ratio": "focal_length_mm and aperture_mm", "step size": "um_per_step"}


def _together(*, count: int, **facts: object) -> str:
    furthest = f"{_GAP}, and {_REACH}".format(**facts)
    return f"one position lies inside the zone of {all_filters(count)}; the furthest, {furthest}"


def _undecided(*, pair: tuple[str, str], same_glass: bool, **facts: object) -> str:
    of = "" if same_glass else f" of {' and '.join(pair)}"
    found = f"{_GAP}, and {_REACH}".format(pair=pair, **facts)
    return f"{found}: too close to call at 95 %; take more sweeps{of}"


def _zone_needs(*, lacks: Sequence[str]) -> str:
    missing = " and ".join(f"the {name} ({_KEYS[name]})" for name in lacks)
    return f"the zone is not known: state {missing} in the setup file"


def _wavelength_needed(*, filters: Sequence[str]) -> str:
    which = f"the wavelength of {', '.join(filters)} is not known"
    return f"{which}: state wavelength_nm in the setup file"


def _stated_glass(*, span_um: float, verdict: str) -> str:
    rest = {
        "together": "; without it the filters would focus together",
        "too little": ", which is too little to explain it",
        "apart": ", and without it the telescope alone would still keep them apart",
        "cannot tell": "; whether the rest matters cannot be told from these",
    }[verdict]
    return f"the stated glass moves focus by up to {span_um:.0f} um between the filters{rest}"


def _one_of_several(*, sets: Sequence[Sequence[str]]) -> str:
    others = " or ".join(", ".join(names) for names in sets)
    return f"some filter's glass is at fault, but which cannot be told: {others}"


def _odd_glass(*, odd: Sequence[str], others_apart: bool) -> str:
    more = "; and the others do not focus together either, along a smooth curve"
    return "; ".join(odd) + (more if others_apart else "")


def _odd_or_colour(*, odd: Sequence[str]) -> str:
    own = "but the telescope's own colour may explain it as well"
    return f"{'; '.join(odd)}; {own}: {_REMEDY}"


def _odd_filter(*, name: str, shift_um: Estimate, extra_glass_mm: Estimate) -> str:
    way, more = ("out", "more") if shift_um.value > 0 else ("in", "less")
    return (
        f"{name} focuses {abs(shift_um.value):.0f} +- {shift_um.sigma:.0f} um further {way} than "
        f"its colour predicts, as {abs(extra_glass_mm.value):.2f} +- {extra_glass_mm.sigma:.2f} "
        f"mm {more} glass would do"
    )


say(
    {
        "colours_together": _together,
        "colours_apart": f"no position lies inside all zones: {_GAP}, and {_REACH}",
        "colours_undecided": _undecided,
        "nothing_to_compare": "no sweep gave a best focus, so colours cannot be compared",
        "one_filter": "only {name} was measured; colour needs at least two filters",
        "zone_needs": _zone_needs,
        "wavelength_needed": _wavelength_needed,
        "one_glass": "the colours share one and the same glass in a colour camera, so what "
        "separates them is the telescope's own colour",
        "nothing_explains": "neither a smooth curve through wavelength nor a few odd filters "
        "explain these shifts: measure each filter again",
        "stated_glass": _stated_glass,
        "smooth_colour": "focus follows a smooth curve through wavelength, as a telescope's colour "
        "does and glass of another thickness does not",
        "one_of_several": _one_of_several,
        "odd_glass": _odd_glass,
        "odd_or_colour": _odd_or_colour,
        "glass_or_colour": "the telescope's own colour explains these shifts, and filters of "
        f"different thickness would as well: {_REMEDY}",
        "odd_filter": _odd_filter,
    }
)
