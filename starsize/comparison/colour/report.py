"""The colour report: one focus for all colours or not, by how much, and why."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from ...estimate import Estimate, Finding
from ...filters import Band
from ..compared import ColourReport, ColourWord
from ..linear import normal_errors
from ..offsets.found import Found
from .explanations import (
    Colours,
    Explanation,
    SmoothCurve,
    curve_basis,
    explain,
    fit_smooth_curve,
    secondary_shift,
)
from .glass import Blame, blame, plate_steps
from .points import colour_points, lens_report
from .verdict import binding_pair, odd_ones_out, verdict_of_errors

_DRAWS = 4000

#: Bands wider than this hold more than one colour and do not count as covering a line.
WIDE_NM = 150.0
#: Share of L's band that other filters have to see before its ends are more than a guess.
SEEN = 0.6
_F_NM, _C_NM, _NEAR_NM = 486.13, 656.27, 20.0


def colour_report(night: Found) -> ColourReport:
    """Judge the colours together."""
    adjustment, same_glass = night.adjustment, night.same_glass
    judged = [n for n in adjustment.filters if n in night.zone_steps]
    plates = {name: plate_steps(name, night.setup, night.scale) for name in judged}
    known = {name: shift for name, shift in plates.items() if shift is not None}
    points, middle = colour_points(night, known)
    if len(judged) < 2:
        return ColourReport(
            verdict="cannot tell",
            reason=_why_not_judged(night),
            points=points if len(points) > 1 else (),
            compromise_steps=middle if len(points) > 1 else None,
        )
    colours, word = _colours(night, judged, known)
    verdict = word(judged)
    explanations = explain(colours, odd_allowed=not same_glass)
    found = Blame(cause=None)  # nobody where the colours are not apart
    if verdict == "apart":
        found = blame(explanations, colours, night)
    curve = curve_of_telescope(
        explanations, colours, glass_to_blame=found.cause in ("glass", "both")
    )
    wavelength, shift, sigma = drawn(curve, colours.wavelength_nm)
    without: tuple[str, ...] = ()
    others_meet = None
    if not same_glass:
        without, others_meet = odd_ones_out(judged, colours.position, colours.zone, word)
    groups: list[tuple[str, ColourWord]] = []
    if {"R", "G", "B"} <= set(judged):
        groups.append(("R, G, B", word(("R", "G", "B"))))
    if "L" in judged:
        wide = judged.index("L")
        zone = float(colours.zone[wide])
        whole = whole_band(curve, colours.bands, wide=colours.bands[wide], zone_steps=zone)
        groups.append(("L's whole band", whole))
    own_zero = middle - adjustment.mixture.average[adjustment.filters.index(judged[0])]
    return ColourReport(
        verdict=verdict,
        reason=_reason(colours, verdict, same_glass=same_glass),
        cause=found.cause,
        cause_reason=found.reason,
        compromise_steps=middle,
        points=points,
        odd_filters=found.odd_filters,
        groups=tuple(groups),
        secondary_spectrum=_as_focal_ratio(secondary_of(curve, colours.bands), night),
        curve_wavelength_nm=wavelength,
        curve_shift_steps=shift - own_zero,
        curve_sigma_steps=sigma,
        lens=lens_report(night, middle),
        without=without,
        without_steps=None if others_meet is None else others_meet + middle - own_zero,
    )


def _colours(
    night: Found, judged: Sequence[str], plates: Mapping[str, float]
) -> tuple[Colours, Callable[[Sequence[str]], ColourWord]]:
    """The filters that can be judged, and the verdict on some of them."""
    adjustment = night.adjustment
    contrasts = adjustment.contrasts(judged[0])[[adjustment.filters.index(n) for n in judged]]
    colours = Colours(
        filters=tuple(judged),
        bands=tuple(night.setup.bands(judged).values()),
        position=contrasts @ adjustment.mixture.average,
        covariance=adjustment.mixture.covariance_of(contrasts),
        zone=np.array([night.zone_steps[n] for n in judged]),
        plates=plates,
    )
    errors = adjustment.mixture.draws(contrasts, _DRAWS) - colours.position
    size = night.scale.um_per_step
    share = size.sigma / size.value if size and math.isfinite(size.sigma) else 0.0

    def word(names: Sequence[str]) -> ColourWord:
        pick = [judged.index(n) for n in names]
        best, zone = colours.position[pick], colours.zone[pick]
        return verdict_of_errors(best, zone, errors[:, pick], zone_share=share)

    return colours, word


def _as_focal_ratio(shift_steps: float | None, night: Found) -> float | None:
    """Focal length over the shift, as people quote a secondary spectrum."""
    focal = night.setup.telescope.focal_length_mm
    shift_um = None if shift_steps is None else night.scale.micrometres(shift_steps)
    return None if focal is None or not shift_um else focal * 1e3 / shift_um


def _reason(colours: Colours, verdict: ColourWord, *, same_glass: bool) -> Finding:
    """The pair that binds, in steps, against its zones."""
    best, zone = colours.position, colours.zone
    i, j = sorted(binding_pair(best, zone), key=lambda k: best[k])
    c = colours.covariance
    sigma = math.sqrt(max(c[i, i] + c[j, j] - 2 * c[i, j], 0.0))
    pair: dict[str, Any] = {
        "pair": (colours.filters[i], colours.filters[j]),
        "gap": Estimate(float(best[j] - best[i]), sigma),
        "reach": float(zone[i] + zone[j]),
    }
    if verdict == "together":
        return Finding("colours_together", count=len(colours.filters), **pair)
    if verdict == "apart":
        return Finding("colours_apart", **pair)
    return Finding("colours_undecided", **pair, same_glass=same_glass)


def _why_not_judged(night: Found) -> Finding:
    filters, setup = night.adjustment.filters, night.setup
    if len(filters) < 2:
        return Finding("one_filter", name=filters[0])
    needs = {"focal ratio": setup.telescope.focal_ratio, "step size": night.scale.um_per_step}
    if lacks := [name for name, value in needs.items() if value is None]:
        return Finding("zone_needs", lacks=tuple(lacks))
    return Finding("wavelength_needed", filters=tuple(n for n in filters if not setup.band(n)))


def curve_of_telescope(
    explanations: Sequence[Explanation], colours: Colours, *, glass_to_blame: bool
) -> SmoothCurve | None:
    """The telescope's own colour; None where all filters have one wavelength.

    Without the odd filters where glass is to blame. Else the simplest curve that explains all,
    and failing that the best there is.
    """
    fitting = [e for e in explanations if glass_to_blame or not e.odd]
    if fitting:
        return fitting[0].curve
    terms = min(3, len(np.unique(colours.wavelength_nm)) - 1)
    if terms < 1:
        return None
    noise = colours.covariance + np.diag((colours.zone / 3) ** 2)
    return fit_smooth_curve(colours.wavelength_nm, colours.shift, noise, terms=terms)


def drawn(
    curve: SmoothCurve | None, wavelength_nm: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Wavelengths, shift and sigma along the curve, a little beyond the filters at both ends."""
    if curve is None:
        return np.array([]), np.array([]), np.array([])
    along = np.linspace(np.min(wavelength_nm) - 15, np.max(wavelength_nm) + 15, 121)
    return along, curve.at(along), curve.sigma(along)


def whole_band(
    curve: SmoothCurve | None, bands: Sequence[Band], *, wide: Band, zone_steps: float
) -> ColourWord:
    """Does one position lie inside the zone of every wavelength that a wide filter lets through.

    Of ``bands``, those of all filters, the narrower ones say how much of the ``wide`` band was
    seen; ``zone_steps`` is the zone at its central wavelength.
    """
    narrow = [b for b in bands if b.width_nm <= WIDE_NM]
    if curve is None or not narrow:
        return "cannot tell"
    low = max(_edge(wide, -1), min(_edge(b, -1) for b in narrow))
    high = min(_edge(wide, 1), max(_edge(b, 1) for b in narrow))
    if high - low < SEEN * wide.width_nm:
        return "cannot tell"
    wavelength = np.linspace(low, high, 13)
    errors = normal_errors(curve.covariance, 4000, seed=2)
    return verdict_of_errors(
        curve.at(wavelength),
        zone_steps * wavelength / wide.wavelength_nm,
        errors @ curve_basis(wavelength, curve.terms).T,
    )


def secondary_of(curve: SmoothCurve | None, bands: Sequence[Band]) -> float | None:
    """Shift between the F-C focus and the d line in the curve's unit; None where not covered.

    It takes three terms, narrow bands at F, at C and between, and a shift of two sigma.
    """
    if curve is None or curve.terms < 3:
        return None
    narrow = [b for b in bands if b.width_nm <= WIDE_NM]

    def covered(line_nm: float) -> bool:
        return any(abs(b.wavelength_nm - line_nm) <= max(b.width_nm / 2, _NEAR_NM) for b in narrow)

    middle = any(520 <= b.wavelength_nm <= 600 for b in narrow)
    if not (covered(_F_NM) and covered(_C_NM) and middle):
        return None
    shift, sigma = secondary_shift(curve)
    return shift if abs(shift) > 2 * sigma else None


def _edge(band: Band, side: int) -> float:
    return band.wavelength_nm + side * band.width_nm / 2
