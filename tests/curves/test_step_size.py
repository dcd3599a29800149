import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.curves import fit_curve, fit_hyperbola, focus_curve, micrometres_per_step
from starsize.estimate import NOT_KNOWN, Estimate

WAVES = np.array([0, 0.25, 0.5, 1.0, 2.0, 4.0])
# Half-flux radius in units of lambda N at W waves of defocus, dz = 8 lambda N^2 W: direct Bessel
# quadrature, confirmed by GalSim to 0.5 % (references 2.4).
DIFFRACTION = {
    0.0: [0.5348, 0.6330, 1.2346, 2.4206, 5.1817, 11.0188],
    0.35: [0.6253, 0.7582, 1.5648, 2.8327, 5.6374, 11.4492],
}
RATIO, WAVELENGTH_UM, PIXEL_UM, STEP_UM = 5.0, 0.55, 3.76, 4.0


def diffraction_curve(obstruction):
    radius = np.array(DIFFRACTION[obstruction]) * WAVELENGTH_UM * RATIO / PIXEL_UM
    steps = 8 * WAVELENGTH_UM * RATIO**2 * WAVES / STEP_UM
    return np.r_[-steps[:0:-1], steps], np.r_[radius[:0:-1], radius]


@pytest.mark.parametrize("obstruction", [0.0, 0.35])
def test_defocused_diffraction_gives_back_the_geometric_step_size(obstruction):
    position, radius = diffraction_curve(obstruction)
    fit = fit_curve(focus_curve(position, radius, 0.005 * radius), obstruction=obstruction)
    assert_allclose(fit.best_steps, 0.0, atol=0.3)
    found = micrometres_per_step(
        fit.slope_px_per_step, focal_ratio=RATIO, pixel_um=PIXEL_UM, obstruction=obstruction
    )
    assert abs(found.value - STEP_UM) < found.sigma
    assert found.sigma < 0.06 * STEP_UM


def test_geometric_wings_give_the_step_size_exactly():
    """HFR = |dz| sqrt((1 + e^2) / 2) / (2 N): geometry."""
    position = np.linspace(-200, 200, 21)
    radius = np.abs(position) * 2.5 * math.sqrt((1 + 0.3**2) / 2) / (2 * 7.0) / 4.3
    slope = fit_hyperbola(position, np.hypot(0.01, radius)).value[2]
    found = micrometres_per_step(
        Estimate(slope, 0.0), focal_ratio=7.0, pixel_um=4.3, obstruction=0.3
    )
    assert_allclose(found.value, 2.5, rtol=1e-5)


def test_the_slope_carries_its_uncertainty_and_an_unknown_one_stays_unknown():
    vague = micrometres_per_step(Estimate(0.05, 0.01), focal_ratio=5, pixel_um=3.76)
    assert vague.sigma > 0.2 * vague.value
    assert micrometres_per_step(NOT_KNOWN, focal_ratio=5, pixel_um=3.76) == NOT_KNOWN


def test_a_focal_ratio_of_zero_is_refused():
    with pytest.raises(ValueError, match=r"must be positive, got 0, 3\.76"):
        micrometres_per_step(Estimate(0.05), focal_ratio=0, pixel_um=3.76)
