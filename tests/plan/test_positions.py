import numpy as np
import pytest

from starsize.curves import Known
from starsize.curves.design import Outlook, design_of
from starsize.plan.positions import (
    best_pattern,
    candidates,
    counts,
    even_pattern,
    reach_of,
    robust_variance,
    variance,
)


@pytest.fixture(scope="module")
def design():
    known = Known(focal_ratio=5.5, pixel_um=3.76, um_per_step=4.0)
    outlook = Outlook(telescope=known, floor_px=1.3, star_noise=dict.fromkeys("LRB", 0.012))
    return design_of(list("LRB"), candidates(8.0, 70.0), outlook=outlook)


@pytest.fixture(scope="module")
def pattern(design):
    return best_pattern(design, 8, shift=6, reach=reach_of(design, "L", 4.0))


def test_candidates_hold_focus_and_room_for_it_to_be_off():
    places = candidates(8.0, 70.0)
    assert 0 in places
    assert places.max() >= 70 + 2 * 8
    assert set(np.diff(places)) == {2}


def test_a_coarse_focuser_has_whole_steps():
    assert set(np.diff(candidates(0.4, 5.0))) == {1}


def test_positions_lie_on_both_sides_alike_and_within_reach(design, pattern):
    assert np.array_equal(pattern, -pattern[::-1])
    assert pattern.max() <= reach_of(design, "L", 4.0)
    assert np.unique(pattern).size >= 5


def test_they_tell_more_than_as_many_evenly_spaced(design, pattern):
    even = even_pattern(8, reach_of(design, "L", 3.5))
    planned = variance(design, counts(design, pattern))
    # At least a fifth in variance, that is in exposure time: what makes them worth while.
    assert planned < variance(design, counts(design, even)) / 1.2


def test_they_are_the_best_of_their_kind_by_the_score(design, pattern):
    """Moved in or out by a fifth, or squeezed, they tell less in the worst case."""
    score = robust_variance(design, pattern, shift=6)
    for stretch in (0.75, 1.3):
        other = np.round(pattern * stretch).astype(int)
        assert robust_variance(design, other, shift=6) > 0.999 * score


def test_a_lost_frame_and_a_shift_are_what_the_score_counts(design, pattern):
    score = robust_variance(design, pattern, shift=6)
    assert score > variance(design, counts(design, pattern))
    assert score >= variance(design, counts(design, pattern, shift=6))
    assert score >= variance(design, counts(design, np.delete(pattern, 0)))


def test_too_few_places_score_as_nothing(design):
    assert robust_variance(design, np.array([-9, -9, 9, 9]), shift=6) == np.inf
