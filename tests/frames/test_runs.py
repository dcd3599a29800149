"""Where one run of positions ends and the next begins."""

import pytest
from hypothesis import given, strategies as st

from starsize.frames.sweeps import direction, runs, usual_spacing, visits


def cut(positions):
    return [list(positions[run]) for run in runs(positions)]


UP = [1, 2, 3, 4, 5, 6, 7, 8, 9]


@pytest.mark.parametrize(
    ("positions", "expected"),
    [
        ([], []),
        ([5], [[5]]),
        (UP, [UP]),
        (UP[::-1], [UP[::-1]]),
        (UP + UP, [UP, UP]),
        (UP + UP[::-1][1:], [UP, UP[::-1][1:]]),
        ([*UP, 5], [UP, [5]]),
        ([5, *UP], [[5], UP]),
        ([9, *UP], [[9], UP]),
        ([1, 2, 3, 5, 4, 6, 7, 8, 9], [[1, 2, 3, 5, 4, 6, 7, 8, 9]]),
        ([5, 4, 6, 3, 7, 2, 8, 1, 9], [[5, 4, 6, 3, 7, 2, 8, 1, 9]]),
        ([3, 9, 1, 6, 2, 8, 4, 7, 5], [[3, 9, 1, 6, 2, 8, 4, 7, 5]]),
        ([1, 3, 5, 7, 9, 2, 4, 6, 8], [[1, 3, 5, 7, 9], [2, 4, 6, 8]]),
        ([1, 2, 3] * 3, [[1, 2, 3]] * 3),
        ([10, 20, 30, 40, 50, 60, 28, 30, 32, 34, 36], [[10, 20, 30, 40, 50, 60],
                                                        [28, 30, 32, 34, 36]]),
    ],
)  # fmt: skip
def test_runs_as_a_person_would_cut_them(positions, expected):
    assert cut(positions) == expected


@given(st.lists(st.integers(-50, 50), max_size=40))
def test_runs_cover_everything_in_order(positions):
    apart = [p for i, p in enumerate(positions) if i == 0 or p != positions[i - 1]]
    assert [p for run in cut(apart) for p in run] == apart


@given(
    st.lists(st.integers(0, 1000), min_size=4, max_size=20, unique=True),
    st.integers(2, 4),
    st.integers(-5000, 5000),
    st.sampled_from([1, -1]),
)
def test_a_sweep_repeated_is_cut_where_it_starts_anew(places, times, shift, sign):
    one = [shift + sign * p for p in sorted(places)]
    assert cut(one * times) == [one] * times


@given(st.lists(st.integers(0, 1000), min_size=4, max_size=20, unique=True), st.integers(1, 3))
def test_out_and_back_are_cut_at_the_turning_points(places, times):
    out = sorted(places)
    path = (out + out[::-1]) * times
    apart = [p for i, p in enumerate(path) if i == 0 or p != path[i - 1]]
    found = cut(apart)
    assert len(found) == 2 * times
    assert [direction(run) for run in found] == [1, -1] * times


@pytest.mark.parametrize(
    ("positions", "stays"),
    [
        ([100, 100, 100], [3]),
        ([100, 200, 300], [1, 1, 1]),
        ([100, 100, 200, 200, 300, 300], [2, 2, 2]),
        ([10000, 10002, 9999, 10500, 10501, 10499, 11001, 11000, 10999], [3, 3, 3]),
        ([5000, 10000, 10050, 10100, 10150], [1, 1, 1, 1, 1]),
        ([-1, 0, 1, 2], [1, 1, 1, 1]),
        ([0.1, 0.1, 0.2, 0.3], [2, 1, 1]),
    ],
)
def test_visits(positions, stays):
    assert [v.stop - v.start for v in visits(positions)] == stays


def test_the_usual_spacing_ignores_scatter_and_a_lone_far_frame():
    assert usual_spacing([10000, 10002, 10500, 10501, 11000, 11003]) == pytest.approx(498, abs=2)
    assert usual_spacing([5000, 10000, 10050, 10100, 10150]) == 50
    assert usual_spacing([7, 7]) == 0


@pytest.mark.parametrize(
    ("positions", "expected"),
    [
        ([1, 2, 3], 1),
        ([3, 2, 1], -1),
        ([1, 1, 1], 0),
        ([1], 0),
        ([1, 2, 1, 2], 0),
        ([1, 2, 3, 5, 4, 6, 7, 8, 9], 1),
    ],
)
def test_direction(positions, expected):
    assert direction(positions) == expected
