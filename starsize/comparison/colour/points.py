"""Each filter on the colour curve and beside the lens: shift, zone, glass, growth of its star."""

from collections.abc import Mapping, Sequence

import numpy as np

from ...curves.fitted import LensColour
from ...estimate import Estimate
from ...filters import Band
from ..compared import ColourPoint, LensFilter, LensReport
from ..offsets.adjustment import Adjustment
from ..offsets.found import Found
from ..offsets.table import growth
from .glass import glass_of
from .verdict import compromise_weights


def colour_points(
    night: Found, plates: Mapping[str, float]
) -> tuple[tuple[ColourPoint, ...], float]:
    """All measured filters relative to the compromise position, and that position in steps.

    It is taken over the filters with a zone, over all where none has one; ``plates`` in steps.
    """
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
    """Where the lens focuses 550 nm, steps: one zero for all filters.

    The median of what each lacks to the mean of the lens' curve over its band, so that a filter
    with more glass stands off by itself.
    """
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
