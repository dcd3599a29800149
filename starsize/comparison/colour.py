"""The colour report: one focus for all colours or not, by how much, and why."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..curves.fitted import CurveFit
from ..estimate import Estimate
from ..filters import Band
from ..setup import Setup
from .adjustment import Adjustment
from .colour_curve import SmoothCurve, curve_basis, fit_smooth_curve, secondary_shift
from .colour_verdict import ColourVerdict, compromise_position, verdict_of_draws
from .compared import ColourPoint, ColourReport, ColourWord
from .explanations import Explanation, Shifts, explain
from .glass import Blame, Optics, blame, odd_filters, plate_steps
from .offsets import Scale

#: Bands wider than this hold more than one colour and do not count as covering a line.
WIDE_NM = 150.0
_DRAWS = 4000
_NOTHING = np.array([])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Colours:
    """The filters that can be judged: band and zone known. Positions count from the reference."""

    filters: tuple[str, ...]
    bands: tuple[Band, ...]
    zone: np.ndarray
    position: np.ndarray
    covariance: np.ndarray
    draws: np.ndarray
    zone_draws: np.ndarray

    def word(self, names: Sequence[str]) -> ColourVerdict:
        pick = [self.filters.index(n) for n in names]
        return verdict_of_draws(self.draws[:, pick], self.zone_draws[:, pick])


def colour_report(
    adjustment: Adjustment | None,
    fits: Mapping[str, CurveFit],
    *,
    reference: str,
    setup: Setup,
    scale: Scale,
    zone_steps: Mapping[str, float],
    same_glass: bool,
) -> ColourReport:
    """Judge the colours together.

    Parameters
    ----------
    adjustment : Adjustment or None
    fits : mapping of str to CurveFit
        The best answered fit of each filter, for the growth of its star.
    reference : str
        Positions count from it; it does not influence any verdict.
    setup, scale, zone_steps
        Bands and glass; step size; half-widths of the zones where known.
    same_glass : bool
        The colours are channels of one colour camera.
    """
    if adjustment is None:
        return empty_report("no sweep gave a best focus")
    everyone = _positions(adjustment, reference)
    best_reference = float(adjustment.mixture.average[adjustment.filters.index(reference)])
    judged = [n for n in adjustment.filters if n in zone_steps]
    if len(judged) < 2:
        reason = _why_not_judged(adjustment.filters, setup, scale)
        middle = compromise_position(everyone[0], np.ones(len(everyone[0])))
        points = _points(adjustment.filters, everyone, middle, {}, fits, setup, scale)
        return ColourReport(
            verdict="cannot tell",
            reason=reason,
            compromise_steps=best_reference + middle if len(everyone[0]) > 1 else None,
            points=points,
            curve_wavelength_nm=_NOTHING,
            curve_shift_steps=_NOTHING,
            curve_sigma_steps=_NOTHING,
        )
    colours = _colours(adjustment, reference, judged, setup, scale, zone_steps)
    verdict = colours.word(judged)
    middle = compromise_position(colours.position, colours.zone)
    optics = _optics(judged, setup, scale)
    explanations, shifts = _explained(colours, optics, same_glass)
    found = (
        blame(explanations, shifts, optics, same_glass=same_glass)
        if verdict.word == "apart"
        else Blame(cause=None, reason="")
    )
    if verdict.word != "apart" and explanations and explanations[0].odd:
        found = Blame(cause=None, reason="", odd_filters=odd_filters(explanations[0], optics))
    curve = _curve_to_draw(explanations, shifts)
    wavelength, shift, sigma = _drawn(curve, colours, middle)
    return ColourReport(
        verdict=verdict.word,
        reason=_reason(colours, verdict),
        cause=found.cause,
        cause_reason=found.reason,
        compromise_steps=best_reference + middle,
        points=_points(
            adjustment.filters, everyone, middle, zone_steps, fits, setup, scale, optics
        ),
        odd_filters=found.odd_filters,
        groups=_groups(colours, curve),
        secondary_spectrum=_secondary(curve, colours, setup, scale),
        curve_wavelength_nm=wavelength,
        curve_shift_steps=shift,
        curve_sigma_steps=sigma,
    )


def empty_report(reason: str) -> ColourReport:
    """A report that can say nothing, and why."""
    return ColourReport(
        verdict="cannot tell",
        reason=reason,
        curve_wavelength_nm=_NOTHING,
        curve_shift_steps=_NOTHING,
        curve_sigma_steps=_NOTHING,
    )


def _positions(adjustment: Adjustment, reference: str) -> tuple[np.ndarray, np.ndarray]:
    """Value and sigma of every filter's offset from the reference."""
    offsets = adjustment.offsets(reference)
    return np.array([o.value for o in offsets]), np.array([o.sigma for o in offsets])


def _colours(
    adjustment: Adjustment,
    reference: str,
    judged: Sequence[str],
    setup: Setup,
    scale: Scale,
    zone_steps: Mapping[str, float],
) -> _Colours:
    pick = [adjustment.filters.index(n) for n in judged]
    contrasts = adjustment.contrasts(reference)[pick]
    zone = np.array([zone_steps[n] for n in judged])
    size = scale.um_per_step
    relative = size.sigma / size.value if size and math.isfinite(size.sigma) else 0.0
    stretch = 1 + relative * np.random.default_rng(1).standard_normal(_DRAWS)
    bands = tuple(setup.band(n) for n in judged)
    return _Colours(
        filters=tuple(judged),
        bands=tuple(b for b in bands if b is not None),
        zone=zone,
        position=contrasts @ adjustment.mixture.average,
        covariance=adjustment.mixture.covariance_of(contrasts),
        draws=adjustment.mixture.draws(contrasts, _DRAWS),
        zone_draws=zone / np.maximum(stretch, 0.2)[:, None],
    )


def _optics(judged: Sequence[str], setup: Setup, scale: Scale) -> Optics:
    plates = {name: plate_steps(name, setup, scale) for name in judged}
    return Optics(
        setup=setup,
        scale=scale,
        known_plates={name: shift for name, shift in plates.items() if shift is not None},
    )


def _explained(
    colours: _Colours, optics: Optics, same_glass: bool
) -> tuple[list[Explanation], Shifts]:
    """The shifts without the known plates, and what explains them."""
    known = optics.known_plates
    usual = float(np.mean(list(known.values()))) if known else 0.0
    plates = np.array([known.get(name, usual) for name in colours.filters])
    shifts = Shifts(
        filters=colours.filters,
        wavelength_nm=np.array([b.wavelength_nm for b in colours.bands]),
        width_nm=np.array([b.width_nm for b in colours.bands]),
        shift=colours.position - (plates - usual),
        covariance=colours.covariance,
        zone=colours.zone,
    )
    return explain(shifts, odd_allowed=not same_glass), shifts


def _curve_to_draw(explanations: list[Explanation], shifts: Shifts) -> SmoothCurve | None:
    if explanations:
        return explanations[0].curve
    terms = min(3, len(np.unique(shifts.wavelength_nm)) - 1)
    if terms < 1:
        return None
    noise = shifts.covariance + np.diag((shifts.zone / 3) ** 2)
    return fit_smooth_curve(shifts.wavelength_nm, shifts.shift, noise, terms=terms)


def _drawn(
    curve: SmoothCurve | None, colours: _Colours, middle: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    if curve is None:
        return _NOTHING, _NOTHING, _NOTHING
    low = min(b.wavelength_nm for b in colours.bands) - 15
    high = max(b.wavelength_nm for b in colours.bands) + 15
    wavelength = np.linspace(low, high, 121)
    return wavelength, curve.at(wavelength) - middle, curve.sigma(wavelength)


def _groups(colours: _Colours, curve: SmoothCurve | None) -> tuple[tuple[str, ColourWord], ...]:
    groups: list[tuple[str, ColourWord]] = []
    if {"R", "G", "B"} <= set(colours.filters):
        groups.append(("R, G, B", colours.word(("R", "G", "B")).word))
    if "L" in colours.filters:
        groups.append(("L's whole band", _whole_band(colours, curve)))
    return tuple(groups)


def _whole_band(colours: _Colours, curve: SmoothCurve | None) -> ColourWord:
    """Does one position lie inside the zone of every wavelength that L lets through."""
    wide = colours.bands[colours.filters.index("L")]
    edges = [
        (b.wavelength_nm - b.width_nm / 2, b.wavelength_nm + b.width_nm / 2)
        for b in colours.bands
        if b.width_nm <= WIDE_NM
    ]
    low = max(wide.wavelength_nm - wide.width_nm / 2, min((e[0] for e in edges), default=np.inf))
    high = min(wide.wavelength_nm + wide.width_nm / 2, max((e[1] for e in edges), default=0.0))
    # Most of the band has to be seen by other filters, else its ends are anyone's guess.
    if curve is None or high - low < 0.6 * wide.width_nm:
        return "cannot tell"
    wavelength = np.linspace(low, high, 31)
    value, vector = np.linalg.eigh(curve.covariance)
    normal = np.random.default_rng(2).standard_normal((_DRAWS, curve.terms))
    coefficients = curve.coefficients + normal @ (vector * np.sqrt(np.maximum(value, 0))).T
    draws = coefficients @ curve_basis(wavelength, curve.terms).T
    zone_of_l = colours.zone[colours.filters.index("L")]
    return verdict_of_draws(draws, zone_of_l * wavelength / wide.wavelength_nm).word


def _secondary(
    curve: SmoothCurve | None, colours: _Colours, setup: Setup, scale: Scale
) -> float | None:
    """Focal length over the F-C shift, where three terms and the lines are covered."""
    focal = setup.telescope.focal_length_mm
    if curve is None or curve.terms < 3 or focal is None or scale.um_per_step is None:
        return None
    narrow = [b for b in colours.bands if b.width_nm <= WIDE_NM]
    blue = any(abs(b.wavelength_nm - 486.13) <= max(b.width_nm / 2, 20) for b in narrow)
    red = any(abs(b.wavelength_nm - 656.27) <= max(b.width_nm / 2, 20) for b in narrow)
    middle = any(520 <= b.wavelength_nm <= 600 for b in narrow)
    if not (blue and red and middle):
        return None
    shift, sigma = secondary_shift(curve)
    if abs(shift) < 2 * sigma:
        return None
    return focal * 1e3 / (shift * scale.um_per_step.value * scale.sense)


def _points(
    filters: Sequence[str],
    everyone: tuple[np.ndarray, np.ndarray],
    middle: float,
    zone_steps: Mapping[str, float],
    fits: Mapping[str, CurveFit],
    setup: Setup,
    scale: Scale,
    optics: Optics | None = None,
) -> tuple[ColourPoint, ...]:
    points = []
    plates = optics.known_plates if optics else {}
    base = float(np.mean(list(plates.values()))) if plates else 0.0
    for name, offset, sigma in zip(filters, *everyone, strict=True):
        band, shift = setup.band(name), float(offset - middle)
        zone = zone_steps.get(name)
        without = shift - (plates[name] - base) if name in plates else None
        points.append(
            ColourPoint(
                filter=name,
                wavelength_nm=band.wavelength_nm if band else None,
                shift_steps=Estimate(shift, float(sigma)),
                shift_um=scale.estimate(shift, float(sigma)),
                zone_steps=zone,
                zone_um=zone * scale.um_per_step.value if zone and scale.um_per_step else None,
                telescope_um=None if without is None else scale.estimate(without, float(sigma)),
                growth=_growth(fits.get(name), -shift),
            )
        )
    return tuple(points)


def _growth(fit: CurveFit | None, defocus_steps: float) -> float | None:
    """Radius at a distance from best focus over the smallest radius."""
    if fit is None or not (fit.floor_px.is_known and fit.slope_px_per_step.is_known):
        return None
    return math.hypot(1.0, fit.slope_px_per_step.value * defocus_steps / fit.floor_px.value)


def _reason(colours: _Colours, verdict: ColourVerdict) -> str:
    best, zone = colours.position, colours.zone
    together = zone[:, None] + zone
    i, j = np.unravel_index(np.argmax(np.abs(best[:, None] - best) / together), together.shape)
    if best[i] > best[j]:
        i, j = j, i
    sigma = math.sqrt(
        max(colours.covariance[i, i] + colours.covariance[j, j] - 2 * colours.covariance[i, j], 0)
    )
    pair = f"{colours.filters[i]} and {colours.filters[j]}"
    gap = f"{pair} focus {best[j] - best[i]:.1f} +- {sigma:.1f} steps apart"
    zones = f"their zones reach over {together[i, j]:.1f} steps together"
    count = len(colours.filters)
    if verdict.word == "together":
        text = f"one position lies inside the zone of all {count} filters; the furthest, {gap}"
        return f"{text}, and {zones}"
    if verdict.word == "apart":
        return f"no position lies inside all zones: {gap}, and {zones}"
    share = round(100 * verdict.probability)
    return (
        f"{gap}, and {zones}: one position for all has a probability of {share} %, "
        f"neither 95 nor 5; take more sweeps of {pair}"
    )


def _why_not_judged(filters: Sequence[str], setup: Setup, scale: Scale) -> str:
    if len(filters) < 2:
        return f"only {filters[0]} was measured; colour needs at least two filters"
    missing = []
    if setup.telescope.focal_ratio is None:
        missing.append("the focal ratio (focal_length_mm and aperture_mm)")
    if scale.um_per_step is None:
        missing.append("the step size (um_per_step)")
    if missing:
        return f"the zone is not known: state {' and '.join(missing)} in the setup file"
    unknown = ", ".join(n for n in filters if setup.band(n) is None)
    return f"the wavelength of {unknown} is not known: state wavelength_nm in the setup file"
