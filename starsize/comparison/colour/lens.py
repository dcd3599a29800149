"""The lens by itself: where its colours focus, what each filter adds, what one focus costs."""

from collections.abc import Mapping

import numpy as np

from ...curves.fitted import CurveFit, LensColour
from ...estimate import Estimate
from ...filters import Band
from ..compared import LensFilter, LensReport
from ..offsets.adjustment import Adjustment
from ..offsets.growth import growth
from .glass import Optics, glass_of

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
