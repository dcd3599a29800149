"""Whether one focus serves all colours, and whether glass or telescope is to blame."""

from ...estimate import Estimate
from .saying import all_filters, say

_REMEDY = "state the thickness of the filters, or measure more filters"
_GAP = "{pair[0]} and {pair[1]} focus {gap.value:.1f} +- {gap.sigma:.1f} steps apart"
_REACH = "their zones reach over {reach:.1f} steps together"
_COLOUR_TOO = "the telescope's own colour keeps the filters apart, and "
_KEYS = {"focal ratio": "focal_length_mm and aperture_mm", "step size": "um_per_step"}
_STATED_GLASS = {
    "together": "; without it the filters would focus together",
    "too little": ", which is too little to explain it",
    "apart": ", and without it the telescope alone would still keep them apart",
    "cannot tell": "; whether the rest matters cannot be told from these",
}


def _odd_filter(*, name: str, shift_um: Estimate, extra_glass_mm: Estimate) -> str:
    way, more = ("out", "more") if shift_um.value > 0 else ("in", "less")
    return (
        f"{name} focuses {abs(shift_um.value):.0f} +- {shift_um.sigma:.0f} um further {way} than "
        f"its colour predicts, as {abs(extra_glass_mm.value):.2f} +- {extra_glass_mm.sigma:.2f} "
        f"mm {more} glass would do"
    )


say(
    {
        "colours_together": lambda *, count, **facts: (
            f"one position lies inside the zone of {all_filters(count)}; the furthest, "
            f"{_GAP}, and {_REACH}".format(**facts)
        ),
        "colours_apart": f"no position lies inside all zones: {_GAP}, and {_REACH}",
        "colours_undecided": lambda *, pair, same_glass, **facts: (
            f"{_GAP}, and {_REACH}: too close to call at 95 %; take more sweeps".format(
                pair=pair, **facts
            )
            + ("" if same_glass else f" of {' and '.join(pair)}")
        ),
        "nothing_to_compare": "no sweep gave a best focus, so colours cannot be compared",
        "one_filter": "only {name} was measured; colour needs at least two filters",
        "zone_needs": lambda *, lacks: (
            f"the zone is not known: state "
            f"{' and '.join(f'the {name} ({_KEYS[name]})' for name in lacks)} in the setup file"
        ),
        "wavelength_needed": lambda *, filters: (
            f"the wavelength of {', '.join(filters)} is not known: state wavelength_nm in the "
            "setup file"
        ),
        "one_glass": "the colours share one and the same glass in a colour camera, so what "
        "separates them is the telescope's own colour",
        "nothing_explains": "neither a smooth curve through wavelength nor a few odd filters "
        "explain these shifts: measure each filter again",
        "stated_glass": lambda *, span_um, verdict: (
            f"the stated glass moves focus by up to {span_um:.0f} um between the filters"
            f"{_STATED_GLASS[verdict]}"
        ),
        "smooth_colour": "focus follows a smooth curve through wavelength, as a telescope's colour "
        "does and glass of another thickness does not",
        "one_of_several": lambda *, sets, with_lens: (
            f"{_COLOUR_TOO if with_lens else ''}some filter's glass is at fault, but which cannot "
            f"be told: {' or '.join(', '.join(names) for names in sets)}"
        ),
        "odd_glass": lambda *, odd, others_apart: (
            "; ".join(odd)
            + "; and the others do not focus together either, along a smooth curve" * others_apart
        ),
        "odd_or_colour": lambda *, odd: (
            f"{'; '.join(odd)}; but the telescope's own colour may explain it as well: {_REMEDY}"
        ),
        "glass_beside_colour": "the telescope's own colour alone keeps these filters apart, but "
        f"whether glass plays a part too cannot be told: {_REMEDY}",
        "glass_or_colour": "the telescope's own colour explains these shifts, and filters of "
        f"different thickness would as well: {_REMEDY}",
        "odd_filter": _odd_filter,
    }
)
