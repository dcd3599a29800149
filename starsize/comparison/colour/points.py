"""Each filter on the colour curve and beside the lens: shift, zone, glass, growth of its star."""

from collections.abc import Mapping, Sequence

import numpy as np

from ...estimate import Estimate
from ..compared import ColourPoint, LensFilter, LensReport
from ..offsets.adjustment import Adjustment
from ..offsets.found import Found
from ..offsets.table import growth
from .glass import glass_of
from .verdict import compromise_weights

_IN_BAND = np.linspace(-0.5, 0.5, 21)


def colour_points(
    night: Found, plates: Mapping[str, float]
) -> tuple[tuple[ColourPoint, ...], float]:
    """All measured filters relative to the compromise position, and that position in steps.

    The compromise is taken over the filters with a zone, over all where none has one. ``plates``
    are the shifts by glass that is known, steps.
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
        point = ColourPoint(
            filter=name,
            wavelength_nm=band.wavelength_nm if band else None,
            shift_steps=Estimate(shift.value, shift.sigma),
            shift_um=scale.estimate(shift.value, shift.sigma),
            zone_steps=zone,
            zone_um=zone * size.value if zone is not None and size is not None else None,
            telescope_um=None if own is None else scale.estimate(own, shift.sigma),
            growth=growth(fits.get(name), -shift.value),
        )
        points.append(point)
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


def lens_report(night: Found, common_steps: float) -> LensReport | None:
    """Set each filter beside the lens that the joint fit found.

    The lens has one zero for all filters: the median of what each lacks to the mean of the lens'
    curve over its band, so that a filter with more glass stands off by itself.

    ``common_steps`` is the position that serves all best. None where the sweeps told nothing of the
    lens, or the step size is not known.
    """
    scale, lens, adjustment = night.scale, night.curves.lens, night.adjustment
    bands = night.setup.bands(adjustment.filters)
    if lens is None or scale.um_per_step is None or not bands:
        return None
    best = dict(zip(adjustment.filters, adjustment.mixture.average, strict=False))
    colours = {n: band.wavelength_nm + _IN_BAND * band.width_nm for n, band in bands.items()}
    expected = {name: float(np.mean(lens.at(along))) for name, along in colours.items()}
    zero = float(np.median([best[n] - mean for n, mean in expected.items()]))
    sigma, fits = _relative_sigma(adjustment, tuple(bands)), night.fits
    filters = []
    for name, band in bands.items():
        within, focus = lens.at(colours[name]), best[name] - zero
        # No less than if the colours of a band missed together.
        doubt = float(np.mean(np.interp(colours[name], lens.wavelength_nm, lens.sigma_steps)))
        off = scale.estimate(focus - expected[name], float(np.hypot(sigma[name], doubt)))
        spread, fit = scale.micrometres(float(within.max() - within.min())), fits.get(name)
        one = LensFilter(
            filter=name,
            wavelength_nm=band.wavelength_nm,
            width_nm=band.width_nm,
            focus_um=scale.estimate(focus, sigma[name]),
            spread_um=None if spread is None else abs(spread),
            glass_mm=None if off is None else glass_of(off, name, night.setup),
            growth_at_luminance=growth(fit, best["L"] - best[name]) if "L" in best else None,
            growth_at_common=growth(fit, common_steps - best[name]),
        )
        filters.append(one)
    pairs = zip(lens.shift_steps.tolist(), lens.sigma_steps.tolist(), strict=True)
    shift, second = [scale.estimate(*pair) for pair in pairs], lens.secondary_steps
    return LensReport(
        wavelength_nm=lens.wavelength_nm,
        shift_um=np.array([s.value for s in shift if s]),
        sigma_um=np.array([s.sigma for s in shift if s]),
        secondary_um=scale.estimate(second.value, second.sigma) if second.is_known else None,
        spherical_waves=lens.spherical_waves,
        filters=tuple(filters),
    )


def _relative_sigma(adjustment: Adjustment, names: tuple[str, ...]) -> dict[str, float]:
    """Standard uncertainty of each filter's best focus against the mean of all."""
    pick = [adjustment.filters.index(n) for n in names]
    rows = np.eye(len(adjustment.names))[pick]
    spread = adjustment.mixture.covariance_of(rows - rows.mean(axis=0))
    return dict(zip(names, np.sqrt(np.maximum(np.diag(spread), 0.0)).tolist(), strict=True))
