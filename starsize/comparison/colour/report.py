"""The colour report: one focus for all colours or not, by how much, and why."""

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np

from ...curves.fitted import LensColour
from ...estimate import NOT_KNOWN, Estimate, Finding
from ...filters import Band
from ..compared import ColourPoint, ColourReport, ColourWord, LensFilter, LensReport
from ..linear import normal_errors
from ..offsets.adjustment import Adjustment
from ..offsets.found import Found
from ..offsets.table import growth, zones_lack
from .blame import Colours, blame, glass_of, plate_steps
from .verdict import binding_pair, compromise_weights, odd_ones_out, verdict_of_errors

_DRAWS = 4000


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
    verdict, lens = word(judged), night.curves.lens
    # Nobody is to blame where the colours are not apart.
    cause, why, odd = blame(colours, night) if verdict == "apart" else (None, "", ())
    curve = np.zeros((3, 0))
    if lens is not None:
        along = lens.along_nm
        shift = lens.at(along) + lens_zero(lens, night) - middle
        curve = np.array([along, shift, lens.sigma(along)])
    without, others_meet = (
        ((), None) if same_glass else odd_ones_out(judged, colours.position, colours.zone, word)
    )
    groups = {"R, G, B": word(tuple("RGB"))} if {*"RGB"} <= {*judged} else {}
    if "L" in judged:
        wide = judged.index("L")
        groups["L's whole band"] = whole_band(lens, colours.bands[wide], night.zone_steps["L"])
    own_zero = middle - adjustment.mixture.average[adjustment.filters.index(judged[0])]
    return ColourReport(
        verdict=verdict,
        reason=_reason(colours, verdict, same_glass=same_glass),
        cause=cause,
        cause_reason=why,
        compromise_steps=middle,
        points=points,
        odd_filters=odd,
        groups=tuple(groups.items()),
        secondary_spectrum=secondary_spectrum(night),
        curve_wavelength_nm=curve[0],
        curve_shift_steps=curve[1],
        curve_sigma_steps=curve[2],
        lens=lens_report(night, middle),
        without=without,
        without_steps=None if others_meet is None else others_meet + middle - own_zero,
    )


def _colours(
    night: Found, judged: Sequence[str], plates: Mapping[str, float]
) -> tuple[Colours, Callable[[Sequence[str]], ColourWord]]:
    """The filters that can be judged, and the verdict on some of them."""
    adjustment, size = night.adjustment, night.scale.um_per_step
    contrasts = adjustment.contrasts(judged[0])[[adjustment.filters.index(n) for n in judged]]
    colours = Colours(
        filters=tuple(judged),
        bands=tuple(night.setup.bands(judged).values()),
        position=contrasts @ adjustment.mixture.average,
        covariance=adjustment.mixture.covariance_of(contrasts),
        zone=np.array([night.zone_steps[n] for n in judged]),
        plates=plates,
        um_per_step=size.value if size else math.nan,
    )
    errors = adjustment.mixture.draws(contrasts, _DRAWS) - colours.position
    share = size.relative if size else 0.0

    def word(names: Sequence[str]) -> ColourWord:
        pick = [judged.index(n) for n in names]
        best, zone = colours.position[pick], colours.zone[pick]
        return verdict_of_errors(best, zone, errors[:, pick], zone_share=share)

    return colours, word


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
    if verdict == "cannot tell":
        return Finding("colours_undecided", **pair, same_glass=same_glass)
    if verdict == "apart":
        return Finding("colours_apart", **pair)
    return Finding("colours_together", count=len(colours.filters), **pair)


def _why_not_judged(night: Found) -> Finding:
    filters, setup = night.adjustment.filters, night.setup
    if len(filters) < 2:
        return Finding("one_filter", name=filters[0])
    if lacks := zones_lack(night):
        return Finding("zone_needs", lacks=lacks)
    return Finding("wavelength_needed", filters=tuple(n for n in filters if not setup.band(n)))


def whole_band(lens: LensColour | None, wide: Band, zone_steps: float) -> ColourWord:
    """Does one position lie inside the zone of every wavelength of a wide filter."""
    if lens is None:
        return "cannot tell"
    wavelength = wide.wavelength_nm + wide.width_nm * np.linspace(-0.5, 0.5, 13)
    return verdict_of_errors(
        lens.at(wavelength),
        zone_steps * wavelength / wide.wavelength_nm,
        normal_errors(lens.covariance(wavelength), _DRAWS, seed=2),
    )


def secondary_spectrum(night: Found) -> float | None:
    """Focal length over the secondary spectrum, as people quote it; None below two sigma."""
    lens, focal = night.curves.lens, night.setup.telescope.focal_length_mm
    shift = lens.secondary_steps if lens else NOT_KNOWN
    if focal is None or not abs(shift.value) > 2 * shift.sigma:
        return None
    shift_um = night.scale.micrometres(shift.value)
    return focal * 1e3 / shift_um if shift_um else None


def colour_points(
    night: Found, plates: Mapping[str, float]
) -> tuple[tuple[ColourPoint, ...], float]:
    """All measured filters relative to the compromise position, and that position in steps."""
    names, fits, scale = night.adjustment.filters, night.fits, night.scale
    middle = compromise_contrast(night.adjustment, night.zone_steps)
    focus = np.eye(len(night.adjustment.names))[: len(names)]
    shifts = night.adjustment.mixture.intervals(focus - middle)
    base, size = float(np.mean(list(plates.values()))) if plates else 0.0, scale.um_per_step
    points = []
    for name, shift in zip(names, shifts, strict=True):
        band, zone = night.setup.band(name), night.zone_steps.get(name)
        own = shift.value - (plates[name] - base) if name in plates else None
        points.append(
            ColourPoint(
                filter=name,
                wavelength_nm=band.wavelength_nm if band else None,
                shift_steps=shift.estimate,
                shift_um=scale.estimate(shift.estimate),
                zone_steps=zone,
                zone_um=zone * size.value if zone is not None and size is not None else None,
                telescope_um=None if own is None else scale.estimate(Estimate(own, shift.sigma)),
                growth=growth(fits.get(name), -shift.value),
            )
        )
    return tuple(points), float(middle @ night.adjustment.mixture.average)


def compromise_contrast(adjustment: Adjustment, zone_steps: Mapping[str, float]) -> np.ndarray:
    """(p,) weights on the adjustment's unknowns that make up the compromise position."""
    names = adjustment.filters
    chosen: Sequence[str] = [n for n in names if n in zone_steps] or names
    pick = [names.index(n) for n in chosen]
    best = adjustment.mixture.average[pick]
    zone = np.array([zone_steps.get(n, 1.0) for n in chosen])
    contrast = np.zeros(len(adjustment.names))
    contrast[pick] = compromise_weights(best, zone)
    return contrast


def lens_zero(lens: LensColour, night: Found) -> float:
    """Where the lens focuses 550 nm, steps: one zero for all, from which more glass stands off."""
    best, bands = night.best_steps, night.setup.bands(night.adjustment.filters)
    return float(np.median([best[n] - np.mean(lens.at(_across(b))) for n, b in bands.items()]))


def lens_report(night: Found, common_steps: float) -> LensReport | None:
    """Each filter beside the lens; None where nothing is known of it, or of the step size."""
    scale, lens, adjustment = night.scale, night.curves.lens, night.adjustment
    bands = night.setup.bands(adjustment.filters)
    if lens is None or scale.um_per_step is None or not bands:
        return None
    rows = np.eye(len(adjustment.names))[[adjustment.filters.index(n) for n in bands]]
    spread = adjustment.mixture.covariance_of(rows - rows.mean(axis=0))
    zero, best, fits = lens_zero(lens, night), night.best_steps, night.fits
    filters = []
    for (name, band), sigma in zip(bands.items(), np.sqrt(np.diag(spread)).tolist(), strict=True):
        within, focus, fit = lens.at(_across(band)), best[name] - zero, fits.get(name)
        # No less than if the colours of a band missed together.
        doubt = float(np.mean(lens.sigma(_across(band))))
        off = scale.estimate(Estimate(focus - float(np.mean(within)), math.hypot(sigma, doubt)))
        filters.append(
            LensFilter(
                filter=name,
                wavelength_nm=band.wavelength_nm,
                width_nm=band.width_nm,
                focus_um=scale.estimate(Estimate(focus, sigma)),
                spread_um=float(np.ptp(within)) * scale.um_per_step.value,
                glass_mm=None if off is None else glass_of(off, name, night.setup),
                growth_at_luminance=growth(fit, best["L"] - best[name]) if "L" in best else None,
                growth_at_common=growth(fit, common_steps - best[name]),
            )
        )
    pairs = zip(lens.at(lens.along_nm).tolist(), lens.sigma(lens.along_nm).tolist(), strict=True)
    shift, second = [scale.estimate(Estimate(*pair)) for pair in pairs], lens.secondary_steps
    return LensReport(
        wavelength_nm=lens.along_nm,
        shift_um=np.array([s.value for s in shift if s]),
        sigma_um=np.array([s.sigma for s in shift if s]),
        secondary_um=scale.estimate(second) if second.is_known else None,
        spherical_waves=lens.spherical_waves,
        filters=tuple(filters),
    )


def _across(band: Band) -> np.ndarray:
    return band.wavelength_nm + band.width_nm * np.linspace(-0.5, 0.5, 21)
