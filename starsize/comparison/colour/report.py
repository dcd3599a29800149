"""The colour report: one focus for all colours or not, by how much, and why."""

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from ...curves.fitted import LensColour
from ...estimate import NOT_KNOWN, Estimate, Finding
from ...filters import Band
from ..compared import ColourPoint, ColourReport, ColourWord, LensFilter, LensReport
from ..linear import normal_errors
from ..offsets.found import Found
from ..offsets.table import growth
from .blame import Colours, blame, glass_of, plate_steps
from .verdict import DRAWS, binding_pair, compromise_weights, odd_ones_out, verdict_of_errors


def colour_report(night: Found) -> ColourReport:
    """Judge the colours together."""
    adjusted = night.adjustment
    judged = tuple(n for n in adjusted.filters if n in night.zone_steps)
    shifts = {name: plate_steps(name, night.setup, night.scale) for name in judged}
    plates = {name: shift for name, shift in shifts.items() if shift is not None}
    points, middle = colour_points(night, plates)
    if len(judged) < 2:
        return ColourReport(
            verdict="cannot tell",
            reason=_why_not_judged(night),
            points=points if len(points) > 1 else (),
            compromise_steps=middle if len(points) > 1 else None,
        )
    contrasts = adjusted.contrasts(judged[0])[[adjusted.filters.index(n) for n in judged]]
    colours = Colours(
        found=night, filters=judged, position=contrasts @ adjusted.average,
        covariance=adjusted.covariance_of(contrasts),
        zone=np.array([night.zone_steps[n] for n in judged]), plates=plates,
    )  # fmt: skip
    errors = adjusted.draws(contrasts, DRAWS) - colours.position

    def word(names: Sequence[str]) -> ColourWord:
        """Verdict on some of them."""
        pick, share = [judged.index(n) for n in names], colours.um_per_step.relative
        best, zone = colours.position[pick], colours.zone[pick]
        return verdict_of_errors(best, zone, errors[:, pick], zone_share=share)

    verdict = word(judged)
    # Nobody is to blame where the colours are not apart.
    cause, why, odd = blame(colours) if verdict == "apart" else (None, "", ())
    without, others_meet = (
        ((), None)
        if night.same_glass
        else odd_ones_out(judged, colours.position, colours.zone, word)
    )
    groups = {"R, G, B": word(tuple("RGB"))} if {*"RGB"} <= {*judged} else {}
    if "L" in judged:
        groups["L's whole band"] = whole_band(night)
    curve = _curve(night, middle)
    return ColourReport(
        verdict=verdict, reason=_reason(colours, verdict), cause=cause, cause_reason=why,
        compromise_steps=middle, points=points, odd_filters=odd, groups=tuple(groups.items()),
        secondary_spectrum=secondary_spectrum(night), curve_wavelength_nm=curve[0],
        curve_shift_steps=curve[1], curve_sigma_steps=curve[2], lens=lens_report(night, middle),
        without=without,
        without_steps=None if others_meet is None else others_meet + night.best_steps[judged[0]],
    )  # fmt: skip


def _reason(colours: Colours, verdict: ColourWord) -> Finding:
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
        return Finding("colours_undecided", **pair, same_glass=colours.found.same_glass)
    if verdict == "apart":
        return Finding("colours_apart", **pair)
    return Finding("colours_together", count=len(colours.filters), **pair)


def _curve(night: Found, middle: float) -> np.ndarray:
    """(3, k): wavelengths, shifts of the lens from a position, sigmas; empty where not known."""
    if (lens := night.curves.lens) is None:
        return np.zeros((3, 0))
    along = lens.along_nm
    shift = lens.at(along) + lens_zero(lens, night) - middle
    return np.array([along, shift, lens.sigma(along)])


def _why_not_judged(night: Found) -> Finding:
    filters, setup = night.adjustment.filters, night.setup
    if len(filters) < 2:
        return Finding("one_filter", name=filters[0])
    if lacks := night.zones_lack:
        return Finding("zone_needs", lacks=lacks)
    return Finding("wavelength_needed", filters=tuple(n for n in filters if not setup.band(n)))


def _across(band: Band, count: int = 21) -> np.ndarray:
    """Wavelengths of a band."""
    return band.wavelength_nm + band.width_nm * np.linspace(-0.5, 0.5, count)


def whole_band(night: Found) -> ColourWord:
    """Does one position lie inside the zone of every wavelength of L."""
    lens, wide = night.curves.lens, night.setup.band("L")
    if lens is None or wide is None:
        return "cannot tell"
    wavelength = _across(wide, 13)
    zones = night.zone_steps["L"] * wavelength / wide.wavelength_nm
    errors = normal_errors(lens.covariance(wavelength), DRAWS, seed=2)
    return verdict_of_errors(lens.at(wavelength), zones, errors)


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
    """All measured filters relative to the compromise position, and that position in steps.

    The compromise is that of the filters whose zones are known, of all where none is.
    """
    adjusted, scale, fits, zones = night.adjustment, night.scale, night.fits, night.zone_steps
    pick = [i for i, name in enumerate(adjusted.filters) if name in zones or not zones]
    zone = np.array([zones.get(adjusted.filters[i], 1.0) for i in pick])
    middle = compromise_weights(adjusted.average[pick], zone) @ adjusted.focus[pick]
    shifts = adjusted.intervals(adjusted.focus - middle)
    usual = float(np.mean(list(plates.values()))) if plates else 0.0
    points = []
    for name, shift in zip(adjusted.filters, shifts, strict=True):
        band, own, size = night.setup.band(name), zones.get(name), scale.um_per_step
        bare = Estimate(shift.value - (plates.get(name, usual) - usual), shift.sigma)
        points.append(
            ColourPoint(
                filter=name,
                wavelength_nm=band.wavelength_nm if band else None,
                shift_steps=shift.estimate,
                shift_um=scale.estimate(shift.estimate),
                zone_steps=own,
                zone_um=own * size.value if own is not None and size is not None else None,
                telescope_um=scale.estimate(bare) if name in plates else None,
                growth=growth(fits.get(name), -shift.value),
            )
        )
    return tuple(points), float(middle @ adjusted.average)


def lens_zero(lens: LensColour, night: Found) -> float:
    """Where the lens focuses 550 nm, steps: one zero for all, from which more glass stands off."""
    best, bands = night.best_steps, night.setup.bands(night.adjustment.filters)
    return float(np.median([best[n] - np.mean(lens.at(_across(b))) for n, b in bands.items()]))


def lens_report(night: Found, common_steps: float) -> LensReport | None:
    """Each filter beside the lens; None where nothing is known of it, or of the step size."""
    scale, lens, adjusted = night.scale, night.curves.lens, night.adjustment
    bands = night.setup.bands(adjusted.filters)
    if lens is None or scale.um_per_step is None or not bands:
        return None
    rows = adjusted.focus[[adjusted.filters.index(n) for n in bands]]
    spread = adjusted.covariance_of(rows - rows.mean(axis=0))
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
    along, size, second = lens.along_nm, scale.um_per_step, lens.secondary_steps
    shift, um = lens.at(along), scale.sense * size.value
    return LensReport(
        wavelength_nm=along, shift_um=um * shift,
        sigma_um=size.value * np.hypot(lens.sigma(along), size.relative * shift),
        secondary_um=scale.estimate(second) if second.is_known else None,
        spherical_waves=lens.spherical_waves, filters=tuple(filters),
    )  # fmt: skip
