"""Each filter on the colour curve and beside the lens: shift, zone, glass, growth of its star."""

from collections.abc import Mapping, Sequence

import numpy as np

from ...curves.fitted import CurveFit, LensColour
from ...estimate import Estimate
from ...filters import Band
from ..compared import ColourPoint, LensFilter, LensReport
from ..offsets.adjustment import Adjustment
from ..offsets.table import growth
from .glass import Optics, glass_of
from .verdict import compromise_weights


def colour_points(
    adjustment: Adjustment,
    fits: Mapping[str, CurveFit],
    *,
    zone_steps: Mapping[str, float],
    optics: Optics,
) -> tuple[tuple[ColourPoint, ...], float]:
    """All measured filters relative to the compromise position, and that position in steps.

    The compromise is taken over the filters with a zone, over all where none has one.

    ``fits`` are the best answered fit of each filter; ``optics`` has the plates that are known.
    """
    names = adjustment.filters
    focus = np.eye(len(adjustment.names))[: len(names)]
    middle = compromise_contrast(adjustment, zone_steps)
    shifts = adjustment.mixture.intervals(focus - middle)
    plates = optics.known_plates
    base = float(np.mean(list(plates.values()))) if plates else 0.0
    points = tuple(
        _point(
            name,
            Estimate(shift.value, shift.sigma),
            fit=fits.get(name),
            zone=zone_steps.get(name),
            plate=plates[name] - base if name in plates else None,
            optics=optics,
        )
        for name, shift in zip(names, shifts, strict=True)
    )
    return points, float(middle @ adjustment.mixture.average)


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


def _point(
    name: str,
    shift: Estimate,
    *,
    fit: CurveFit | None,
    zone: float | None,
    plate: float | None,
    optics: Optics,
) -> ColourPoint:
    band, scale = optics.setup.band(name), optics.scale
    size = scale.um_per_step
    return ColourPoint(
        filter=name,
        wavelength_nm=band.wavelength_nm if band else None,
        shift_steps=shift,
        shift_um=scale.estimate(shift.value, shift.sigma),
        zone_steps=zone,
        zone_um=zone * size.value if zone is not None and size is not None else None,
        telescope_um=None if plate is None else scale.estimate(shift.value - plate, shift.sigma),
        growth=growth(fit, -shift.value),
    )


_IN_BAND = np.linspace(-0.5, 0.5, 21)


def lens_report(
    lens: LensColour | None,
    adjustment: Adjustment,
    fits: Mapping[str, CurveFit],
    *,
    optics: Optics,
    common_steps: float,
) -> LensReport | None:
    """Set each filter beside the lens that the joint fit found.

    The lens has one zero for all filters: the median of what each lacks to the mean of the lens'
    curve over its band, so that a filter with more glass stands off by itself.

    ``fits`` are the best answered fit of each filter, ``common_steps`` the position that serves all
    best. None where the sweeps told nothing of the lens, or the step size is not known.
    """
    scale = optics.scale
    bands = {n: b for n in adjustment.filters if (b := optics.setup.band(n)) is not None}
    if lens is None or scale.um_per_step is None or not bands:
        return None
    best = dict(zip(adjustment.filters, adjustment.mixture.average, strict=False))
    zero = float(np.median([best[n] - _mean(lens, band) for n, band in bands.items()]))
    pairs = zip(lens.shift_steps.tolist(), lens.sigma_steps.tolist(), strict=True)
    shift = [scale.estimate(*pair) for pair in pairs]
    sigma, second = _relative_sigma(adjustment, tuple(bands)), lens.secondary_steps
    return LensReport(
        wavelength_nm=lens.wavelength_nm,
        shift_um=np.array([s.value for s in shift if s]),
        sigma_um=np.array([s.sigma for s in shift if s]),
        secondary_um=scale.estimate(second.value, second.sigma) if second.is_known else None,
        spherical_waves=lens.spherical_waves,
        filters=tuple(
            _filter(
                name, band, lens, optics,
                focus=Estimate(best[name] - zero, sigma[name]),
                growths=(
                    _grown(fits.get(name), best, name, "L"),
                    growth(fits.get(name), common_steps - best[name]),
                ),
            )
            for name, band in bands.items()
        ),
    )  # fmt: skip


def _mean(lens: LensColour, band: Band) -> float:
    """Focus of the lens averaged over a band, steps."""
    return float(np.mean(lens.at(band.wavelength_nm + _IN_BAND * band.width_nm)))


def _relative_sigma(adjustment: Adjustment, names: tuple[str, ...]) -> dict[str, float]:
    """Standard uncertainty of each filter's best focus against the mean of all."""
    pick = [adjustment.filters.index(n) for n in names]
    rows = np.eye(len(adjustment.names))[pick]
    spread = adjustment.mixture.covariance_of(rows - rows.mean(axis=0))
    return dict(zip(names, np.sqrt(np.maximum(np.diag(spread), 0.0)), strict=True))


def _filter(
    name: str,
    band: Band,
    lens: LensColour,
    optics: Optics,
    *,
    focus: Estimate,
    growths: tuple[float | None, float | None],
) -> LensFilter:
    scale = optics.scale
    expected = _mean(lens, band)
    colours = band.wavelength_nm + _IN_BAND * band.width_nm
    within = lens.at(colours)
    # No less than if the colours of a band missed together.
    doubt = float(np.mean(np.interp(colours, lens.wavelength_nm, lens.sigma_steps)))
    off = scale.estimate(focus.value - expected, float(np.hypot(focus.sigma, doubt)))
    spread = scale.micrometres(float(within.max() - within.min()))
    return LensFilter(
        filter=name,
        wavelength_nm=band.wavelength_nm,
        width_nm=band.width_nm,
        focus_um=scale.estimate(focus.value, focus.sigma),
        spread_um=abs(spread) if spread is not None else None,
        glass_mm=None if off is None else glass_of(off, name, optics.setup),
        growth_at_luminance=growths[0],
        growth_at_common=growths[1],
    )


def _grown(fit: CurveFit | None, best: Mapping[str, float], name: str, other: str) -> float | None:
    """Star at the best focus of another filter over the smallest; None without that filter."""
    return growth(fit, best[other] - best[name]) if other in best else None
