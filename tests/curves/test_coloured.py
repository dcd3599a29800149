"""What the sweeps of one telescope say together about its colours."""

import numpy as np
from numpy.testing import assert_allclose

from starsize.curves.coloured import before_looking, hint_of_floors, side_weight, upward

USUAL = np.full(5, 0.6)


def test_without_any_word_from_the_data_the_odds_stay_as_they_were():
    before = before_looking(np.zeros(5), USUAL, hint=0.0, together=True)
    assert_allclose(before.coloured, 0.1)
    assert_allclose(before.odd, 0.001 + 0.599 * 0.1)


def test_two_asymmetric_sweeps_convict_a_telescope_but_not_themselves():
    """The other sweeps speak about one, never it about itself: its data count once."""
    ratio = np.array([8.0, 8.0, -2.0, -2.0, -2.0])
    before = before_looking(ratio, USUAL, hint=0.0, together=True)
    assert before.coloured.min() > 0.9
    alone = before_looking(np.array([8.0, -2.0, -2.0, -2.0, -2.0]), USUAL, hint=0.0, together=True)
    assert alone.odd[0] < 0.01 < 0.1 < before.odd[0]


def test_a_single_sweep_is_hardly_believed():
    before = before_looking(np.array([8.0]), np.array([0.6]), hint=0.0, together=False)
    assert before.odd[0] < 0.003


def test_floors_that_scatter_hint_at_colour_and_equal_ones_against_it():
    assert hint_of_floors(None) == 0
    assert hint_of_floors(0.05) < -1 < 1 < hint_of_floors(0.4)


def test_the_others_say_to_which_side_the_light_trails_off():
    """One sweep for up, three that cannot tell: they learn it, and it hears only them."""
    up, down = np.array([6.0, 0.0, 0.0, 0.0]), np.zeros(4)
    chance = upward(np.zeros(4) - 3, up, down)
    assert_allclose(chance[0], 0.5)
    assert (chance[1:] > 0.85).all()
    assert_allclose(upward(np.zeros(4) - 3, down, up), 1 - chance)


def test_a_side_nobody_knows_weighs_nothing():
    assert_allclose(side_weight(np.array([0.5])), 0, atol=1e-12)
    assert_allclose(np.exp(side_weight(np.array([1.0, 0.0]))), [1.8, 0.2])
