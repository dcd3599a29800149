import numpy as np
import pytest

from starsize.curves import Known
from starsize.curves.design import Outlook, design_of
from starsize.plan.positions import REACH, even_positions, reach_steps

KNOWN = Known(focal_ratio=5.5, pixel_um=3.76, um_per_step=4.0)
FLOOR_PX = 1.3


@pytest.fixture(scope="module")
def reach():
    return reach_steps(FLOOR_PX, KNOWN.slope_px_per_step / np.sqrt(2))


def error_steps(positions):
    """Of best focus by the covariance: one sweep each of three filters, about their mean."""
    away, counts = np.unique([*positions, 0], return_counts=True)
    counts[away == 0] -= 1
    outlook = Outlook(telescope=KNOWN, floor_px=FLOOR_PX, star_noise=dict.fromkeys("LRB", 0.012))
    covariance = design_of("LRB", away, outlook=outlook).covariance([(n, counts) for n in "LRB"])
    return np.sqrt((np.trace(covariance) - 3 * covariance.mean()) / 2)


def test_the_ends_are_four_times_as_large_as_in_focus(reach):
    """Geometry: a disc of radius dz / (2 N p) has half its light within 1 / sqrt(2) of that."""
    disc = 4.0 * reach / (2 * 5.5 * 3.76) / np.sqrt(2)
    assert np.isclose(np.hypot(FLOOR_PX, disc), REACH * FLOOR_PX)


@pytest.mark.parametrize("frames", [7, 9, 11])
def test_spacing_is_one_whole_number_of_steps(frames):
    positions = even_positions(frames, 70.0)
    assert positions.size == frames
    assert set(np.diff(positions)) == {round(140 / (frames - 1))}
    assert positions[frames // 2] == 0
    assert abs(positions[-1] - 70) <= frames / 4


def test_a_coarse_focuser_has_whole_steps():
    assert list(even_positions(7, 3.4)) == [-3, -2, -1, 0, 1, 2, 3]


def test_an_even_number_is_even_to_a_step():
    assert np.ptp(np.diff(even_positions(8, 70.0))) <= 1


@pytest.mark.parametrize("times", [0.5, 0.7, 1.5])
def test_another_reach_tells_no_more(reach, times):
    here, there = (error_steps(even_positions(7, reach * by)) for by in (1.0, times))
    assert here < 1.02 * there


def test_ends_at_twice_the_size_tell_clearly_less(reach):
    twice = reach * np.sqrt(3 / 15)
    assert error_steps(even_positions(7, twice)) > 1.1 * error_steps(even_positions(7, reach))


def test_a_lost_frame_or_focus_two_zones_off_costs_little(reach):
    """The zone is 2 lambda N^2 (Born & Wolf, sec. 8.8 -- from memory) of 450 nm."""
    positions = even_positions(7, reach)
    zone = 2 * 0.45 * 5.5**2 / 4.0
    whole = error_steps(positions)
    lost = [error_steps(np.delete(positions, i)) for i in range(7)]
    assert whole < max(lost) < 1.25 * whole
    assert error_steps(positions + round(2 * zone)) < 1.25 * whole
