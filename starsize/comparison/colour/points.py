"""Each filter on the colour curve and beside the lens: glass, shift, zone, growth of its star."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from ...curves.fitted import LensColour
from ...estimate import Estimate
from ...filters import Band
from ...optics import glass_for_shift_mm, plate_shift_mm
from ...setup import Setup
from ..compared import ColourPoint, LensFilter, LensReport
from ..offsets.adjustment import Adjustment
from ..offsets.found import Found, Scale
from ..offsets.table import growth
from .verdict import compromise_weights

#: Filters of unknown glass are taken for the crown N-BK7 (common practice: most are); its n^2 - 1
#: is the sum of b L^2 / (L^2 - c), L in um, for these b and c (maker's data sheet, as the CC0 data
#: base of refractiveindex.info has it).
CROWN = (1.03961212, 0.00600069867), (0.231792344, 0.0200179144), (1.01046945, 103.560653)


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
                shift_steps=Estimate(shift.value, shift.sigma),
                shift_um=scale.estimate(shift.value, shift.sigma),
                zone_steps=zone,
                zone_um=zone * size.value if zone is not None and size is not None else None,
                telescope_um=None if own is None else scale.estimate(own, shift.sigma),
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
        off = scale.estimate(focus - float(np.mean(within)), float(np.hypot(sigma, doubt)))
        filters.append(
            LensFilter(
                filter=name,
                wavelength_nm=band.wavelength_nm,
                width_nm=band.width_nm,
                focus_um=scale.estimate(focus, sigma),
                spread_um=float(np.ptp(within)) * scale.um_per_step.value,
                glass_mm=None if off is None else glass_of(off, name, night.setup),
                growth_at_luminance=growth(fit, best["L"] - best[name]) if "L" in best else None,
                growth_at_common=growth(fit, common_steps - best[name]),
            )
        )
    pairs = zip(lens.at(lens.along_nm).tolist(), lens.sigma(lens.along_nm).tolist(), strict=True)
    shift, second = [scale.estimate(*pair) for pair in pairs], lens.secondary_steps
    return LensReport(
        wavelength_nm=lens.along_nm,
        shift_um=np.array([s.value for s in shift if s]),
        sigma_um=np.array([s.sigma for s in shift if s]),
        secondary_um=scale.estimate(second.value, second.sigma) if second.is_known else None,
        spherical_waves=lens.spherical_waves,
        filters=tuple(filters),
    )


def _across(band: Band) -> np.ndarray:
    return band.wavelength_nm + band.width_nm * np.linspace(-0.5, 0.5, 21)


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


def glass_of(shift_um: Estimate, name: str, setup: Setup) -> Estimate:
    """Thickness of a filter's glass that moves focus by so much, millimetres."""
    ratio, scale = setup.telescope.focal_ratio, setup.telescope.focus_scale or 1.0
    value, sigma = (
        glass_for_shift_mm(part / 1e3, index_of(name, setup), ratio, focus_scale=scale)
        for part in (shift_um.value, shift_um.sigma)
    )
    return Estimate(value, abs(sigma))
