"""Who is to blame, glass or telescope: plates taken off, odd filters named, in plain words."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ...estimate import Estimate
from ...glasses import refractive_index
from ...optics import glass_for_shift_mm, plate_shift_mm
from ...setup import Setup
from ..compared import Cause, OddFilter
from ..offsets.table import Scale
from .explanations import Explanation, Shifts
from .verdict import colour_verdict

#: Filters of unknown glass are taken for a crown of this kind (common practice: most are).
USUAL_GLASS = "N-BK7"


@dataclass(frozen=True, slots=True, kw_only=True)
class Blame:
    """Cause, the sentence for it, and the filters that stand off the colour curve."""

    cause: Cause | None
    reason: str
    odd_filters: tuple[OddFilter, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Optics:
    """What turns glass into focuser steps.

    ``known_plates`` maps a filter of known glass to its plate's shift in steps.
    """

    setup: Setup
    scale: Scale
    known_plates: Mapping[str, float]


def plate_steps(name: str, setup: Setup, scale: Scale) -> float | None:
    """Shift of one filter's plate at the focuser, steps; None where its glass is not known.

    t (1 - cos th / sqrt(n^2 - sin^2 th)), exact for the marginal ray, times ``focus_scale``.
    """
    glass = setup.filters.get(name)
    if glass is None or glass.thickness_mm is None or scale.um_per_step is None:
        return None
    shift = plate_shift_mm(
        glass.thickness_mm, index_of(name, setup), setup.telescope.focal_ratio
    ) * (setup.telescope.focus_scale or 1.0)
    return 1e3 * shift / scale.um_per_step.value * scale.sense


def index_of(name: str, setup: Setup) -> float:
    """Index of a filter's glass as stated, else that of the usual glass at its wavelength."""
    glass = setup.filters.get(name)
    if glass is not None and glass.refractive_index is not None:
        return glass.refractive_index
    band = setup.band(name)
    return float(refractive_index(USUAL_GLASS, band.wavelength_nm if band else 587.56))


def odd_filters(explanation: Explanation, optics: Optics) -> tuple[OddFilter, ...]:
    """The filters of an explanation that stand off its curve, with the glass that would do it."""
    found = []
    parts = zip(explanation.odd, explanation.odd_shift, explanation.odd_sigma, strict=True)
    for name, shift, sigma in parts:
        moved = optics.scale.estimate(float(shift), float(sigma))
        if moved is None:
            continue
        glass = Estimate(
            glass_mm(moved.value, name, optics.setup),
            abs(glass_mm(moved.sigma, name, optics.setup)),
        )
        found.append(OddFilter(filter=name, shift_um=moved, extra_glass_mm=glass))
    return tuple(found)


def blame(
    explanations: list[Explanation], shifts: Shifts, optics: Optics, *, same_glass: bool
) -> Blame:
    """Cause of colours that do not focus together, from the explanations that remain.

    Where every filter's glass is known (or is the same, behind a colour camera) the plates
    decide. Otherwise the cause is named only if all remaining explanations agree on it.
    """
    if same_glass:
        return Blame(
            cause="telescope",
            reason="the colours share one and the same glass in a colour camera, "
            "so what separates them is the telescope's own colour",
        )
    if not explanations:
        return Blame(
            cause="unknown",
            reason="neither a smooth curve through wavelength nor a few odd filters explain "
            "these shifts: measure each filter again",
        )
    if all(name in optics.known_plates for name in shifts.filters):
        smooth = [e for e in explanations if not e.odd]
        if smooth:
            return _blame_with_plates(shifts, optics)
    causes = {_cause_of(e, shifts) for e in explanations}
    if len(causes) == 1 and "unknown" not in causes:
        return _agreed(explanations, causes.pop(), optics)
    return _undecided(explanations, optics)


def _blame_with_plates(shifts: Shifts, optics: Optics) -> Blame:
    plates = np.array([optics.known_plates[name] for name in shifts.filters])
    glass_apart = _reach(plates, shifts.zone) > 0
    telescope = colour_verdict(shifts.shift, shifts.covariance, shifts.zone)
    span = np.ptp(plates) * (optics.scale.um_per_step.value if optics.scale.um_per_step else 1)
    stated = f"the stated glass moves focus by up to {span:.0f} um between the filters"
    if telescope == "together":
        return Blame(cause="glass", reason=f"{stated}; without it the filters would focus together")
    if telescope == "apart" and not glass_apart:
        return Blame(cause="telescope", reason=f"{stated}, which is too little to explain it")
    if telescope == "apart":
        return Blame(
            cause="both",
            reason=f"{stated}, and without it the telescope alone would still keep them apart",
        )
    return Blame(
        cause="unknown", reason=f"{stated}; whether the rest matters cannot be told from these"
    )


def _cause_of(explanation: Explanation, shifts: Shifts) -> Cause:
    if explanation.exposed(shifts):
        return "unknown"
    kept = [i for i, f in enumerate(shifts.filters) if f not in explanation.odd]
    curve = explanation.curve.at(shifts.wavelength_nm[kept])
    own_colour = _reach(curve, shifts.zone[kept]) > 0
    if not explanation.odd:
        return "telescope"
    return "both" if own_colour else "glass"


def _agreed(explanations: list[Explanation], cause: Cause, optics: Optics) -> Blame:
    simplest = explanations[0]
    if cause == "telescope":
        return Blame(
            cause=cause,
            reason="focus follows a smooth curve through wavelength, as a telescope's colour "
            "does and glass of another thickness does not",
        )
    named = [e for e in explanations if len(e.odd) == len(simplest.odd)]
    odd = odd_filters(simplest, optics)
    if len(named) > 1 and {e.odd for e in named} != {simplest.odd}:
        others = " or ".join(", ".join(e.odd) for e in named)
        return Blame(
            cause=cause,
            reason=f"some filter's glass is at fault, but which cannot be told: {others}",
            odd_filters=odd,
        )
    sentence = "; ".join(odd_sentence(o) for o in odd)
    if cause == "both":
        sentence += "; and the others do not focus together either, along a smooth curve"
    return Blame(cause=cause, reason=sentence, odd_filters=odd)


def _undecided(explanations: list[Explanation], optics: Optics) -> Blame:
    """Both would do; a filter is only named where no other could be the odd one instead."""
    remedy = "state the thickness of the filters, or measure more filters"
    odd_sets = {e.odd for e in explanations if e.odd}
    if len(odd_sets) > 1:
        return Blame(
            cause="unknown",
            reason="the telescope's own colour explains these shifts, and filters of different "
            f"thickness would as well: {remedy}",
        )
    odd = odd_filters(next(e for e in explanations if e.odd), optics)
    sentence = "; ".join(odd_sentence(o) for o in odd)
    return Blame(
        cause="unknown",
        reason=f"{sentence}; but the telescope's own colour may explain it as well: {remedy}",
        odd_filters=odd,
    )


def odd_sentence(odd: OddFilter) -> str:
    """Say how far a filter stands off and what glass would do the same."""
    way, more = ("out", "more") if odd.shift_um.value > 0 else ("in", "less")
    shift, glass = odd.shift_um, odd.extra_glass_mm
    return (
        f"{odd.filter} focuses {abs(shift.value):.0f} +- {shift.sigma:.0f} um further {way} than "
        f"its colour predicts, as {abs(glass.value):.2f} +- {glass.sigma:.2f} mm {more} glass "
        f"would do"
    )


def glass_mm(shift_um: float, name: str, setup: Setup) -> float:
    """Thickness of a filter's glass that moves focus by so much, millimetres."""
    return glass_for_shift_mm(
        shift_um / 1e3,
        index_of(name, setup),
        setup.telescope.focal_ratio,
        focus_scale=setup.telescope.focus_scale or 1.0,
    )


def _reach(position: np.ndarray, zone: np.ndarray) -> float:
    """Positive if no one position lies in all zones."""
    return float(np.max(position - zone) - np.min(position + zone))
