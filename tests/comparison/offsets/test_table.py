"""What to do at a filter change, and the words for it."""

import numpy as np
import pytest
from sweep_nights import answered_fit

from starsize.comparison.offsets.adjustment import Interval
from starsize.comparison.offsets.table import choose_reference, decide, growth_depth_steps
from starsize.reports.words import worded


@pytest.mark.parametrize(
    ("offset", "half95", "zone", "action"),
    [
        (2.0, 3.0, 8.0, "ignore"),  # all of -1..5 is inside
        (-4.9, 3.0, 8.0, "ignore"),
        (5.1, 3.0, 8.0, "move"),  # may be outside, but the move brings it in
        (80.0, 7.9, 8.0, "move"),
        (80.4, 7.8, 8.0, "refocus"),  # the rounding counts as well
        (0.0, 8.1, 8.0, "refocus"),
    ],
)
def test_the_action_follows_from_offset_uncertainty_and_zone(offset, half95, zone, action):
    said, reason = decide(Interval(offset, half95 / 2, half95, 1.5 * half95), zone)
    assert said == action
    assert reason.facts["zone"] == zone


def test_without_a_zone_nothing_can_be_ignored():
    assert decide(Interval(0.0, 0.1, 0.2, 0.3), None, 5.0)[0] == "move"
    assert decide(Interval(0.0, 5.0, 10.0, 15.0), None, 5.0)[0] == "refocus"
    action, reason = decide(Interval(0.0, 0.1, 0.2, 0.3), None, None)
    assert action == "refocus"
    assert worded(reason).endswith("(it needs focal ratio and step size)")


def test_the_depth_without_a_zone_is_where_the_star_has_grown_by_5_percent():
    fit = answered_fit(1000.0, 1.0, floor=2.0, slope=0.05)
    depth = growth_depth_steps([fit])
    assert np.hypot(2.0, 0.05 * depth) == pytest.approx(2.0 * 1.05, rel=1e-6)


def test_the_reference_is_as_wanted_else_l_else_the_one_with_most_sweeps():
    counts = {"R": 3, "L": 1, "B": 3}
    assert choose_reference(counts, "B") == "B"
    assert choose_reference(counts, "Ha") == "L"
    assert choose_reference(counts, None) == "L"
    assert choose_reference({"R": 3, "B": 3, "G": 1}, None) == "R"
