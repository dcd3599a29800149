import numpy as np
import pytest

from starsize.curves import guess_hyperbola
from starsize.simulate.disc import disc_radius_px

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
