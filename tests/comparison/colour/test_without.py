"""The filters without which one position serves all: worked out by hand."""

import numpy as np
import pytest

from starsize.comparison.colour.verdict import colour_verdict, odd_ones_out

NAMES = ("L", "R", "G", "B", "SII", "OIII")


def asked(position, sigma=0.5, names=NAMES):
    position = np.array(position, float)
    zone = np.full(position.size, 8.0)

    def word(some):
        pick = [names.index(n) for n in some]
        return colour_verdict(position[pick], sigma**2 * np.eye(len(pick)), zone[pick])

    return odd_ones_out(names, position, zone, word)


def test_one_thick_filter_is_named_and_where_the_others_meet():
    out, common = asked([0, 1, -1, 3, 2, 42])
    assert out == ("OIII",)
    assert common == pytest.approx(1.0)  # middle of -1 and 3


def test_two_thick_filters_on_either_side_are_both_named():
    assert asked([0, 1, -1, 3, -40, 42])[0] == ("SII", "OIII")


@pytest.mark.parametrize(
    "position",
    [[0, 1, -1, 3, 2, 4], [0, 30, 60, 90, 120, 150], [0, 0, 0, 40, 40, 40]],
    ids=["together anyway", "spread evenly", "three and three"],
)
def test_no_filter_is_odd_where_all_fit_or_no_majority_does(position):
    assert asked(position) == ((), None)


def test_what_the_frames_cannot_tell_names_nobody():
    # 15 steps apart in zones that reach over 16: with 5 steps of doubt nothing can be promised.
    assert asked([0, 15, 0, 15, 0, 15], sigma=5.0) == ((), None)
