"""Optics: what a star looks like, from closed forms and from waves; numbers only."""

from .closed_forms import (
    annulus_half_flux_radius,
    critical_focus_zone_um,
    gaussian_half_flux_radius,
    glass_for_shift_mm,
    moffat_half_flux_radius,
    plate_shift_mm,
    wing_slope_px_per_um,
)
