"""The colour report: one focus for all colours or not, by how much, and why."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ...curves.fitted import CurveFit, LensColour
from ...estimate import Estimate, Finding
from ...filters import Band
from ...setup import Setup
from ..compared import ColourPoint, ColourReport, ColourWord
from ..offsets.adjustment import Adjustment
from ..offsets.table import Scale
from .curve import SmoothCurve
from .explanations import Shifts, explain
from .glass import Blame, Optics, blame, plate_steps
from .lens import lens_report
from .points import colour_points
from .verdict import verdict_of_errors
from .whole_curve import curve_of_telescope, drawn, secondary_of, whole_band
from .without import odd_ones_out

_DRAWS = 4000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Colours:
    """The filters that can be judged: band and zone known. Positions count from the reference."""

    filters: tuple[str, ...]
    bands: tuple[Band, ...]
    zone: np.ndarray
    position: np.ndarray
    covariance: np.ndarray
    errors: np.ndarray
    zone_share: float

    def word(self, names: Sequence[str]) -> ColourWord:
        pick = [self.filters.index(n) for n in names]
        errors, share = self.errors[:, pick], self.zone_share
        return verdict_of_errors(self.position[pick], self.zone[pick], errors, zone_share=share)


def colour_report(
    adjustment: Adjustment,
    fits: Mapping[str, CurveFit],
    *,
    setup: Setup,
    scale: Scale,
    zone_steps: Mapping[str, float],
    same_glass: bool,
    lens: LensColour | None = None,
) -> ColourReport:
    """Judge the colours together.

    ``fits`` are the best answered fit of each filter, ``zone_steps`` half-widths of the zones where
    known; ``same_glass`` says that the colours are channels of one colour camera, ``lens`` is what
    the joint fit says of the lens.
    """
    judged = [n for n in adjustment.filters if n in zone_steps]
    plates = {name: plate_steps(name, setup, scale) for name in judged}
    known = {name: shift for name, shift in plates.items() if shift is not None}
    optics = Optics(setup=setup, scale=scale, known_plates=known)
    points, middle = colour_points(adjustment, fits, zone_steps=zone_steps, optics=optics)
    if len(judged) < 2:
        return empty_report(
            _why_not_judged(adjustment.filters, setup, scale),
            points=points if len(points) > 1 else (),
            compromise_steps=middle if len(points) > 1 else None,
        )
    colours = _colours(adjustment, judged, setup, scale, zone_steps)
    verdict = colours.word(judged)
    shifts = _shifts(colours, optics)
    explanations = explain(shifts, odd_allowed=not same_glass)
    found = Blame(cause=None)  # nobody where the colours are not apart
    if verdict == "apart":
        found = blame(explanations, shifts, optics, same_glass=same_glass)
    curve = curve_of_telescope(
        explanations, shifts, glass_to_blame=found.cause in ("glass", "both")
    )
    wavelength, shift, sigma = drawn(curve, shifts.wavelength_nm)
    without: tuple[str, ...] = ()
    others_meet = None
    if not same_glass:
        without, others_meet = odd_ones_out(judged, colours.position, colours.zone, colours.word)
    own_zero = middle - adjustment.mixture.average[adjustment.filters.index(judged[0])]
    return ColourReport(
        verdict=verdict,
        reason=_reason(colours, verdict, same_glass=same_glass),
        cause=found.cause,
        cause_reason=found.reason,
        compromise_steps=middle,
        points=points,
        odd_filters=found.odd_filters,
        groups=_groups(colours, curve),
        secondary_spectrum=_as_focal_ratio(secondary_of(curve, colours.bands), setup, scale),
        curve_wavelength_nm=wavelength,
        curve_shift_steps=shift - own_zero,
        curve_sigma_steps=sigma,
        lens=lens_report(lens, adjustment, fits, optics=optics, common_steps=middle),
        without=without,
        without_steps=None if others_meet is None else others_meet + middle - own_zero,
    )


def empty_report(
    reason: Finding, *, points: tuple[ColourPoint, ...] = (), compromise_steps: float | None = None
) -> ColourReport:
    """A report without a verdict, and why there is none."""
    none = np.array([])
    return ColourReport(
        verdict="cannot tell", reason=reason, points=points, compromise_steps=compromise_steps,
        curve_wavelength_nm=none, curve_shift_steps=none, curve_sigma_steps=none,
    )  # fmt: skip


def _colours(
    adjustment: Adjustment,
    judged: Sequence[str],
    setup: Setup,
    scale: Scale,
    zone_steps: Mapping[str, float],
) -> _Colours:
    pick = [adjustment.filters.index(n) for n in judged]
    contrasts = adjustment.contrasts(judged[0])[pick]
    zone = np.array([zone_steps[n] for n in judged])
    size = scale.um_per_step
    relative = size.sigma / size.value if size and math.isfinite(size.sigma) else 0.0
    bands = [setup.band(n) for n in judged]
    position = contrasts @ adjustment.mixture.average
    return _Colours(
        filters=tuple(judged),
        bands=tuple(b for b in bands if b is not None),
        zone=zone,
        position=position,
        covariance=adjustment.mixture.covariance_of(contrasts),
        errors=adjustment.mixture.draws(contrasts, _DRAWS) - position,
        zone_share=relative,
    )


def _shifts(colours: _Colours, optics: Optics) -> Shifts:
    """The shifts without the known plates."""
    known = optics.known_plates
    usual = float(np.mean(list(known.values()))) if known else 0.0
    plates = np.array([known.get(name, usual) for name in colours.filters])
    return Shifts(
        filters=colours.filters,
        wavelength_nm=np.array([b.wavelength_nm for b in colours.bands]),
        width_nm=np.array([b.width_nm for b in colours.bands]),
        shift=colours.position - (plates - usual),
        covariance=colours.covariance,
        zone=colours.zone,
    )


def _groups(colours: _Colours, curve: SmoothCurve | None) -> tuple[tuple[str, ColourWord], ...]:
    groups: tuple[tuple[str, ColourWord], ...] = ()
    if {"R", "G", "B"} <= set(colours.filters):
        groups += (("R, G, B", colours.word(("R", "G", "B"))),)
    if "L" in colours.filters:
        at = colours.filters.index("L")
        wide, zone = colours.bands[at], float(colours.zone[at])
        word = whole_band(curve, colours.bands, wide=wide, zone_steps=zone)
        groups += (("L's whole band", word),)
    return groups


def _as_focal_ratio(shift_steps: float | None, setup: Setup, scale: Scale) -> float | None:
    """Focal length over the shift, as people quote a secondary spectrum."""
    focal = setup.telescope.focal_length_mm
    shift_um = None if shift_steps is None else scale.micrometres(shift_steps)
    return None if focal is None or not shift_um else focal * 1e3 / shift_um


def _reason(colours: _Colours, verdict: ColourWord, *, same_glass: bool) -> Finding:
    """The pair that binds, in steps, against its zones."""
    best, zone = colours.position, colours.zone
    together = zone[:, None] + zone
    i, j = np.unravel_index(np.argmax(np.abs(best[:, None] - best) / together), together.shape)
    if best[i] > best[j]:
        i, j = j, i
    c = colours.covariance
    sigma = math.sqrt(max(c[i, i] + c[j, j] - 2 * c[i, j], 0.0))
    pair: dict[str, Any] = {
        "pair": (colours.filters[i], colours.filters[j]),
        "gap": Estimate(float(best[j] - best[i]), sigma),
        "reach": float(together[i, j]),
    }
    if verdict == "together":
        return Finding("colours_together", count=len(colours.filters), **pair)
    if verdict == "apart":
        return Finding("colours_apart", **pair)
    return Finding("colours_undecided", **pair, same_glass=same_glass)


def _why_not_judged(filters: Sequence[str], setup: Setup, scale: Scale) -> Finding:
    if len(filters) < 2:
        return Finding("one_filter", name=filters[0])
    needs = {"focal ratio": setup.telescope.focal_ratio, "step size": scale.um_per_step}
    if lacks := [name for name, value in needs.items() if value is None]:
        return Finding("zone_needs", lacks=tuple(lacks))
    return Finding("wavelength_needed", filters=tuple(n for n in filters if not setup.band(n)))
