"""Closed-form optics against published tables and traced rays."""

import math

import numpy as np
import pytest

from starsize.optics import (
    annulus_half_flux_radius,
    critical_focus_zone_um,
    gaussian_half_flux_radius,
    glass_for_shift_mm,
    moffat_half_flux_radius,
    plate_shift_mm,
    wing_slope_px_per_um,
)
from starsize.simulate.glasses import refractive_index

N_BK7 = refractive_index("N-BK7", 587.5618)
#: Marginal-ray shift of 3 mm of N-BK7 at d, mm, traced through two real refractions (batoid).
TRACED = {2: 1.056195, 2.8: 1.039742, 4: 1.030830, 5: 1.027719, 6: 1.026023, 8: 1.024332}
TRACED |= {10: 1.023548, 15: 1.022773}


@pytest.mark.parametrize("focal_ratio", TRACED)
def test_the_plate_shift_is_that_of_traced_rays(focal_ratio):
    assert plate_shift_mm(3.0, N_BK7, focal_ratio) == pytest.approx(TRACED[focal_ratio], abs=1e-5)


def test_the_paraxial_plate_shift_is_t_times_1_minus_1_over_n():
    # Smith, Modern Optical Engineering, plane-parallel plates -- from memory.
    assert plate_shift_mm(3.0, N_BK7) == pytest.approx(1.022152, abs=1e-6)
    assert plate_shift_mm(3.0, N_BK7, 1e5) == pytest.approx(plate_shift_mm(3.0, N_BK7), abs=1e-8)


@pytest.mark.parametrize(
    ("glass", "per_mm", "spread_um"),
    [
        ("N-BK7", 0.34072, 10.5),
        ("B270", 0.34340, 11.5),
        ("fused silica", 0.31435, 9.5),
        ("Borofloat 33", 0.32042, 9.9),
    ],
)
def test_a_plate_shifts_all_colours_nearly_alike(glass, per_mm, spread_um):
    # Shift per mm at d and spread between F and C of 3 mm, catalogue indices.
    at = {line: refractive_index(glass, nm) for line, nm in (("F", 486.13), ("C", 656.27))}
    assert plate_shift_mm(1.0, refractive_index(glass, 587.56)) == pytest.approx(per_mm, abs=4e-5)
    spread = 1e3 * (plate_shift_mm(3.0, at["F"]) - plate_shift_mm(3.0, at["C"]))
    assert spread == pytest.approx(spread_um, abs=0.15)


def test_the_plate_rule_of_a_published_guide_with_optics_between():
    # Isaac Newton Group, Observers' Guide (1995): broad-band filters n = 1.6, 0.375 t in the beam;
    # the corrector behind them rescales that by 2.94/3.29 (INT) and 2.498/2.81 (WHT).
    assert plate_shift_mm(1.0, 1.6) == pytest.approx(0.375)
    assert plate_shift_mm(1.0, 1.6) * 2.94 / 3.29 == pytest.approx(0.3351, abs=5e-5)
    assert plate_shift_mm(1.0, 1.6) * 2.498 / 2.81 == pytest.approx(0.3334, abs=5e-5)
    assert plate_shift_mm(1.0, 1.45) == pytest.approx(0.3103, abs=5e-5)
    assert plate_shift_mm(1.0, 1.48) == pytest.approx(0.3243, abs=5e-5)
    back = glass_for_shift_mm(0.3351, 1.6, focus_scale=2.94 / 3.29)
    assert back == pytest.approx(1.0, abs=2e-4)


@pytest.mark.parametrize("focal_ratio", [None, 2.0, 5.5, 15.0])
def test_the_glass_for_a_shift_is_the_inverse_of_the_plate_shift(focal_ratio):
    shift = plate_shift_mm(1.7, 1.52, focal_ratio)
    assert glass_for_shift_mm(shift, 1.52, focal_ratio) == pytest.approx(1.7)
    assert glass_for_shift_mm(-shift, 1.52, focal_ratio) == pytest.approx(-1.7)


def test_glass_that_cannot_move_focus_is_refused():
    with pytest.raises(ValueError, match=r"index 1\.0 .* moves nothing"):
        glass_for_shift_mm(0.1, 1.0)
    with pytest.raises(ValueError, match=r"'index' must be at least 1, got 0\.9"):
        plate_shift_mm(1.0, 0.9)


@pytest.mark.parametrize(
    ("wavelength_nm", "focal_ratio", "half_width_um"),
    # Quarter-wave limit (Rayleigh 1879; Born & Wolf 7th ed. -- from memory), half width.
    [(550, 5, 27.5), (550, 8, 70.4), (550, 10, 110.0), (656.28, 5.4, 38.27), (500.7, 5.4, 29.20)],
)
def test_the_critical_focus_zone(wavelength_nm, focal_ratio, half_width_um):
    assert critical_focus_zone_um(wavelength_nm, focal_ratio) == pytest.approx(
        half_width_um, abs=0.006
    )


def test_at_the_edge_of_the_zone_the_peak_is_down_to_0_81():
    # On-axis intensity of a defocused circular pupil, [sin(pi W) / (pi W)]^2 with W the peak
    # wavefront error in waves: 0.810569 at a quarter wave.
    waves = critical_focus_zone_um(550, 7) / (8 * 7**2) / 0.55
    assert (math.sin(math.pi * waves) / (math.pi * waves)) ** 2 == pytest.approx(0.810569, abs=1e-6)


def test_half_flux_radii_of_closed_form_profiles():
    assert gaussian_half_flux_radius(4.0) == pytest.approx(4.70964, abs=1e-5)
    # GalSim's half_light_radius of the same profiles.
    assert moffat_half_flux_radius(6.0, 2.5) == pytest.approx(4.59853, abs=1e-5)
    assert moffat_half_flux_radius(8.0, 3.5) == pytest.approx(4.52200, abs=1e-5)
    assert annulus_half_flux_radius(8.0) == pytest.approx(5.65685, abs=1e-5)
    assert annulus_half_flux_radius(10.0, 0.35) == pytest.approx(7.49166, abs=1e-5)
    with pytest.raises(ValueError, match="'beta' must exceed 1"):
        moffat_half_flux_radius(6.0, 1.0)
    with pytest.raises(ValueError, match=r"'obstruction' must lie in \[0, 1\)"):
        annulus_half_flux_radius(6.0, 1.0)


def test_the_wing_slope_is_that_of_a_known_doughnut():
    # AuxTel, f/18, 10 um pixels, obscuration 0.3525, traced with batoid: HFR 72.2 px where the
    # ring has an outer radius of 96.4 px, that is 2 x 18 x 96.4 x 10 um of defocus.
    slope = wing_slope_px_per_um(18.0, 10.0, 0.3525)
    assert slope * 2 * 18 * 96.4 * 10 == pytest.approx(72.2, rel=0.002)


def test_the_wings_meet_diffraction_at_four_waves():
    # Half-energy radius of a circular pupil at 4 waves of defocus: 11.0188 lambda N by direct
    # Bessel quadrature, a few per cent below the geometric straight line.
    defocus_um = 4 * 8 * 0.55 * 6**2
    geometric = wing_slope_px_per_um(6.0, 1.0) * defocus_um / (0.55 * 6)
    assert geometric == pytest.approx(11.314, abs=1e-3)
    assert np.isclose(geometric, 11.0188, rtol=0.03)
