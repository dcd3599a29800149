"""Each filter on the chromatic curve: shift, zone, telescope's share, growth of its star."""

from collections.abc import Mapping, Sequence

import numpy as np

from ...curves.fitted import CurveFit
from ...estimate import Estimate
from ..compared import ColourPoint
from ..offsets.adjustment import Adjustment
from ..offsets.growth import growth
from .glass import Optics
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
