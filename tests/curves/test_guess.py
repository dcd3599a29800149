import numpy as np
import pytest

from starsize.curves import blurred_disc, guess_hyperbola


@pytest.mark.parametrize("best", [900.0, 960.0, 1003.0, 1070.0])
def test_the_guess_alone_lies_within_a_step_spacing_on_clean_curves(best):
    position = np.linspace(850, 1150, 9)
    guess = guess_hyperbola(position, blurred_disc(position, best, 2.0, slope_px_per_step=0.05))
    assert abs(guess.best_steps - best) < 37.5
    assert 1.5 < guess.floor_px < 2.6
    assert 0.045 < guess.slope_px_per_step < 0.055


def test_a_straight_wing_gives_a_finite_guess():
    guess = guess_hyperbola(np.arange(7.0), np.linspace(8, 2, 7))
    assert np.isfinite(guess).all()


def test_two_positions_are_too_few():
    with pytest.raises(ValueError, match="at least three different positions"):
        guess_hyperbola(np.array([1.0, 2.0, 2.0]), np.ones(3))
