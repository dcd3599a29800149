import numpy as np
from numpy.testing import assert_allclose

from starsize.simulate import FocuserPhysics, camera_places


def places(physics, commanded, *, start=0.0, seed=1):
    return camera_places(physics, commanded, rng=np.random.default_rng(seed), start=start)


def test_a_perfect_focuser_stands_where_it_is_told():
    assert_allclose(places(FocuserPhysics(), [10, 30, 20]), [10, 30, 20])


def test_reversing_loses_the_play_once():
    # Backlash: after a reversal the first steps turn the gears only (common practice).
    physics = FocuserPhysics(backlash_steps=40)
    found = places(physics, [100, 200, 180, 150, 100, 50, 60, 95, 120])
    assert_allclose(found, [100, 200, 200, 190, 140, 90, 90, 95, 120])


def test_overshooting_by_more_than_the_play_removes_it():
    physics = FocuserPhysics(backlash_steps=40)
    for before in (0.0, 500.0):
        assert places(physics, [50, 100], start=before)[-1] == 100


def test_both_directions_differ_by_the_play_everywhere():
    # The reversal value of ISO 230-2: mean of one direction minus mean of the other.
    physics = FocuserPhysics(backlash_steps=25)
    run = np.arange(100, 201, 10.0)
    up = places(physics, [0, *run])[1:]
    down = places(physics, [400, *run[::-1]], start=400.0)[1:][::-1]
    assert_allclose(down - up, 25.0)


def test_scatter_has_the_stated_size_and_does_not_add_up():
    physics = FocuserPhysics(scatter_steps=2.0)
    told = np.arange(4000.0)
    error = places(physics, told) - told
    # 4,000 draws: 1.1 % of a standard deviation, times four.
    assert_allclose(error.std(), 2.0, rtol=0.045)
    assert abs(np.corrcoef(error[1:], error[:-1])[0, 1]) < 0.07


def test_slip_stays_from_its_move_on():
    physics = FocuserPhysics(slip_after=2, slip_steps=30.0)
    assert_allclose(places(physics, [10, 20, 30, 40]), [10, 20, 0, 10])


def test_temperature_moves_focus_by_its_coefficient():
    physics = FocuserPhysics(home_steps=5000, home_degC=10, steps_per_degC=-6.0)
    assert physics.focus_steps(0.0, 10.0) == 5000
    assert physics.focus_steps(0.0, 8.0) == 5012


def test_counts_that_fall_outward_turn_every_shift_round():
    rising = FocuserPhysics(home_steps=5000, um_per_step=4.0)
    falling = FocuserPhysics(home_steps=5000, um_per_step=4.0, outward=-1)
    assert rising.focus_steps(40.0, 10.0) == 5010
    assert falling.focus_steps(40.0, 10.0) == 4990
    assert falling.outward_um(4990, 10.0) == rising.outward_um(5010, 10.0) == 40.0
