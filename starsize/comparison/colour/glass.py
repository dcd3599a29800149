"""Who is to blame, glass or telescope: plates taken off, odd filters named."""

import math
from dataclasses import dataclass

import numpy as np

from ...estimate import Estimate, Finding
from ...optics import glass_for_shift_mm, plate_shift_mm
from ...setup import Setup
from ..compared import Cause, OddFilter
from ..offsets.found import Found, Scale
from .explanations import Colours, Explanation
from .verdict import colour_verdict

#: Filters of unknown glass are taken for the crown N-BK7 (common practice: most are); its n^2 - 1
#: is the sum of b L^2 / (L^2 - c), L in um, for these b and c (maker's data sheet, as the CC0 data
#: base of refractiveindex.info has it).
CROWN = (1.03961212, 0.00600069867), (0.231792344, 0.0200179144), (1.01046945, 103.560653)


@dataclass(frozen=True, slots=True, kw_only=True)
class Blame:
    """Cause, what it rests on, and the filters that stand off the colour curve."""

    cause: Cause | None
    reason: str = ""
    odd_filters: tuple[OddFilter, ...] = ()


def plate_steps(name: str, setup: Setup, scale: Scale) -> float | None:
    """Shift of one filter's plate at the focuser, steps; None where its glass is not known.

    t (1 - cos th / sqrt(n^2 - sin^2 th)), exact for the marginal ray, times ``focus_scale``.
    """
    glass = setup.filters.get(name)
    if glass is None or glass.thickness_mm is None or scale.um_per_step is None:
        return None
    ratio, rescaled = setup.telescope.focal_ratio, setup.telescope.focus_scale or 1.0
    shift = plate_shift_mm(glass.thickness_mm, index_of(name, setup), ratio) * rescaled
    return 1e3 * shift / scale.um_per_step.value * scale.sense


def index_of(name: str, setup: Setup) -> float:
    """Index of a filter's glass as stated, else that of the usual glass at its wavelength."""
    glass = setup.filters.get(name)
    if glass is not None and glass.refractive_index is not None:
        return glass.refractive_index
    band = setup.band(name)
    um = (band.wavelength_nm if band else 587.56) / 1e3
    return math.sqrt(1 + sum(b * um * um / (um * um - c) for b, c in CROWN))


def odd_filters(explanation: Explanation, night: Found) -> tuple[OddFilter, ...]:
    """The filters of an explanation that stand off its curve, with the glass that would do it."""
    found = []
    parts = zip(explanation.odd, explanation.odd_shift, explanation.odd_sigma, strict=True)
    for name, shift, sigma in parts:
        moved = night.scale.estimate(float(shift), float(sigma))
        if moved is None:
            continue
        glass = glass_of(moved, name, night.setup)
        found.append(OddFilter(filter=name, shift_um=moved, extra_glass_mm=glass))
    return tuple(found)


def blame(explanations: list[Explanation], colours: Colours, night: Found) -> Blame:
    """Cause of colours that do not focus together, from the explanations that remain.

    Where every filter's glass is known (or is the same, behind a colour camera) the plates
    decide. Otherwise the cause is named only if all remaining explanations agree on it.
    """
    if night.same_glass:
        return Blame(cause="telescope", reason=Finding("one_glass"))
    if not explanations:
        return Blame(cause="unknown", reason=Finding("nothing_explains"))
    plates_known = all(name in colours.plates for name in colours.filters)
    if plates_known and not all(e.odd for e in explanations):
        return _blame_with_plates(colours, night)
    causes = {_cause_of(e, colours) for e in explanations}
    if len(causes) == 1 and "unknown" not in causes:
        return _agreed(explanations, causes.pop(), night)
    # Both would do; a filter is only named where no other could be the odd one instead.
    if len({e.odd for e in explanations if e.odd}) > 1:
        return Blame(cause="unknown", reason=Finding("glass_or_colour"))
    odd = odd_filters(next(e for e in explanations if e.odd), night)
    return Blame(cause="unknown", reason=Finding("odd_or_colour", odd=_said(odd)), odd_filters=odd)


def _blame_with_plates(colours: Colours, night: Found) -> Blame:
    plates = np.array([colours.plates[name] for name in colours.filters])
    glass_apart = _reach(plates, colours.zone) > 0
    telescope = colour_verdict(colours.shift, colours.covariance, colours.zone)
    span = np.ptp(plates) * (night.scale.um_per_step.value if night.scale.um_per_step else 1)
    cause: Cause = "unknown"
    verdict: str = telescope
    if telescope == "together":
        cause = "glass"
    elif telescope == "apart":
        cause = "both" if glass_apart else "telescope"
        verdict = "apart" if glass_apart else "too little"
    return Blame(cause=cause, reason=Finding("stated_glass", span_um=float(span), verdict=verdict))


def _cause_of(explanation: Explanation, colours: Colours) -> Cause:
    if explanation.exposed(colours):
        return "unknown"
    kept = [i for i, f in enumerate(colours.filters) if f not in explanation.odd]
    curve = explanation.curve.at(colours.wavelength_nm[kept])
    own_colour = _reach(curve, colours.zone[kept]) > 0
    if not explanation.odd:
        return "telescope"
    return "both" if own_colour else "glass"


def _agreed(explanations: list[Explanation], cause: Cause, night: Found) -> Blame:
    simplest = explanations[0]
    if cause == "telescope":
        return Blame(cause=cause, reason=Finding("smooth_colour"))
    named = [e.odd for e in explanations if len(e.odd) == len(simplest.odd)]
    odd = odd_filters(simplest, night)
    if set(named) != {simplest.odd}:
        reason = Finding("one_of_several", sets=tuple(named))
    else:
        reason = Finding("odd_glass", odd=_said(odd), others_apart=cause == "both")
    return Blame(cause=cause, reason=reason, odd_filters=odd)


def _said(odd: tuple[OddFilter, ...]) -> tuple[Finding, ...]:
    return tuple(
        Finding("odd_filter", name=o.filter, shift_um=o.shift_um, extra_glass_mm=o.extra_glass_mm)
        for o in odd
    )


def glass_of(shift_um: Estimate, name: str, setup: Setup) -> Estimate:
    """Thickness of a filter's glass that moves focus by so much, millimetres."""
    ratio, scale = setup.telescope.focal_ratio, setup.telescope.focus_scale or 1.0
    value, sigma = (
        glass_for_shift_mm(part / 1e3, index_of(name, setup), ratio, focus_scale=scale)
        for part in (shift_um.value, shift_um.sigma)
    )
    return Estimate(value, abs(sigma))


def _reach(position: np.ndarray, zone: np.ndarray) -> float:
    """Positive if no one position lies in all zones."""
    return float(np.max(position - zone) - np.min(position + zone))
