"""Plain curves against closed forms and multiple precision; sources stand beside each check."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.curves import (
    fit_curve,
    fit_hyperbola,
    focus_curve,
    guess_hyperbola,
    hyperbola,
    micrometres_per_step,
    v_curve,
)
from starsize.estimate import NOT_KNOWN, Estimate
from starsize.simulate.disc import disc_radius_px


def test_hyperbola_and_v_share_their_wings():
    position = np.array([-1e4, 1e4])
    wide = hyperbola(position, 5.0, 2.0, slope_px_per_step=0.1)
    assert_allclose(wide, v_curve(position, 5.0, slope_px_per_step=0.1), rtol=1e-5)


POSITION = np.linspace(850, 1150, 9)


@pytest.mark.parametrize("best", [900.0, 960.0, 1003.0, 1070.0])
def test_the_guess_alone_lies_within_a_step_spacing_on_clean_curves(best):
    found = guess_hyperbola(POSITION, disc_radius_px(POSITION, best, 2.0, slope_px_per_step=0.05))
    assert abs(found.best_steps - best) < 37.5
    assert 1.5 < found.floor_px < 2.6
    assert 0.045 < found.slope_px_per_step < 0.055


@pytest.mark.parametrize("factor", [0.3, 4.0, 1e6])
@pytest.mark.parametrize("which", [0, 3, 4, 8])
def test_a_frame_far_off_does_not_lead_the_guess_astray(which, factor):
    radius = disc_radius_px(POSITION, 1003.0, 2.0, slope_px_per_step=0.05)
    radius[which] *= factor
    found = guess_hyperbola(POSITION, radius)
    assert abs(found.best_steps - 1003) < 37.5
    assert 1.0 < found.floor_px < 2.6


def test_a_straight_wing_gives_a_finite_guess():
    guess = guess_hyperbola(np.arange(7.0), np.linspace(8, 2, 7))
    assert np.isfinite(guess).all()


def test_two_positions_are_too_few():
    with pytest.raises(ValueError, match="at least three different positions"):
        guess_hyperbola(np.array([1.0, 2.0, 2.0]), np.ones(3))


def test_half_of_the_frames_led_by_specks_do_not_lead_the_guess():
    radius = disc_radius_px(POSITION, 1003.0, 2.0, slope_px_per_step=0.05)
    radius[[0, 3, 6, 8]] = 0.7, 0.9, 30.0, 0.5
    found = guess_hyperbola(POSITION, radius)
    assert abs(found.best_steps - 1003) < 37.5
    assert 1.5 < found.floor_px < 2.6


# Half-flux radii of two real stars in eight equally spaced exposures; values by 50-digit
# arithmetic (mpmath), recorded in the project's references.
HYPERBOLAS = [
    (
        [3.541, 2.980, 2.333, 1.921, 1.872, 1.984, 2.439, 2.992],
        [3.9350239029, 1.8223871253, 2.3434170264],
        [0.033163937582, 0.026041034584, 0.062267138441],
        0.0094281815451,
    ),
    (
        [3.575, 2.928, 2.294, 1.900, 1.843, 1.951, 2.403, 3.038],
        [3.9106920965, 1.7776607655, 2.2464544605],
        [0.028960835643, 0.023904983241, 0.054140641046],
        0.0078243912277,
    ),
]


@pytest.mark.parametrize(("radius", "value", "sigma", "rss"), HYPERBOLAS)
def test_eight_point_hyperbolas_agree_with_multiple_precision(radius, value, sigma, rss):
    """References 4.2: b2 sqrt(1 + ((x - b1) / b3)^2); our slope is b2 / b3."""
    fit = fit_hyperbola(np.arange(8.0), np.array(radius))
    assert_allclose(fit.value[:2], value[:2], rtol=1e-8)
    assert_allclose(fit.sigma[:2], sigma[:2], rtol=1e-6)
    assert_allclose(fit.value[1] / fit.value[2], value[2], rtol=1e-8)
    assert_allclose(fit.rss, rss, rtol=1e-9)


def test_known_sigmas_are_taken_at_their_word():
    """Propagation through the normal equations (JCGM 100:2008, 5.1.2), by finite differences."""
    x, value = np.arange(8.0), np.array([3.4, 1.8, 0.8])
    sigma = np.linspace(0.02, 0.05, 8)
    radius = hyperbola(x, 3.4, 1.8, slope_px_per_step=0.8) + sigma * np.tile([0.5, -0.5], 4)
    fit = fit_hyperbola(x, radius, radius_sigma_px=sigma)

    def curve(best, floor, slope):
        return hyperbola(x, best, floor, slope_px_per_step=slope) / sigma

    step = 1e-5 * np.eye(3)
    rows = np.array([curve(*(fit.value + d)) - curve(*(fit.value - d)) for d in step]) / 2e-5
    assert_allclose(fit.covariance, np.linalg.inv(rows @ rows.T), rtol=1e-5)
    assert_allclose(fit.rss, np.sum((curve(*fit.value) - radius / sigma) ** 2), rtol=1e-9)
    assert_allclose(fit.value, value, atol=0.1)


def test_too_few_points_are_refused():
    with pytest.raises(ValueError, match="3 parameters need more than the 3 points"):
        fit_hyperbola(np.arange(3.0), np.array([2.0, 1.0, 2.0]))


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
