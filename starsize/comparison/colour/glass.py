"""Plates of glass: how far a filter's moves focus, and how much of it a shift asks for."""

import math

from ...estimate import Estimate
from ...optics import glass_for_shift_mm, plate_shift_mm
from ...setup import Setup
from ..offsets.found import Scale

#: Filters of unknown glass are taken for the crown N-BK7 (common practice: most are); its n^2 - 1
#: is the sum of b L^2 / (L^2 - c), L in um, for these b and c (maker's data sheet, as the CC0 data
#: base of refractiveindex.info has it).
CROWN = (1.03961212, 0.00600069867), (0.231792344, 0.0200179144), (1.01046945, 103.560653)


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
