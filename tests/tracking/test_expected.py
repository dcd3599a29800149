"""What a sweep leads one to expect of a frame, though some of its frames are wrong."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.tracking.expected import contradicts, expected_radii

POSITION = np.arange(11.0) * 50 + 9000


def curve(middle, floor=1.6, slope=0.03):
    return np.hypot(floor, slope * (POSITION - middle))


@pytest.mark.parametrize("middle", [9250, 9190, 9330])
@pytest.mark.parametrize("wrong", [{}, {0: 0.4}, {5: 2.5}, {0: 3.0, 7: 0.5}, {3: 2.0, 4: 2.0}])
def test_frames_that_are_wrong_are_found_and_others_are_not(middle, wrong):
    radius = curve(middle)
    radius[list(wrong)] *= list(wrong.values())
    expected = expected_radii(POSITION, radius)
    assert_allclose(expected, curve(middle), rtol=0.05)
    assert set(np.flatnonzero(contradicts(radius, expected))) == set(wrong)


def test_seeing_and_a_frame_without_a_radius():
    radius = curve(9250) * np.random.default_rng(1).normal(1, 0.08, 11)
    radius[2] = np.nan
    expected = expected_radii(POSITION, radius)
    assert np.flatnonzero(contradicts(radius, expected)).tolist() == [2]
    assert_allclose(expected[2], curve(9250)[2], rtol=0.15)


def test_of_few_frames_nothing_is_expected():
    expected = expected_radii(POSITION[:5], curve(9250)[:5])
    assert np.isnan(expected).all()
    assert not contradicts(curve(9250)[:5], expected).any()


def test_frames_at_one_position_are_no_trouble():
    expected = expected_radii(np.full(8, 500.0), np.full(8, 2.0))
    assert_allclose(expected, 2.0)
