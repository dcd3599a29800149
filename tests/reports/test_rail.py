from dataclasses import replace

import pytest

from starsize.reports.rail import offset_rows, rails_of
from starsize.setup import Focuser, Setup


def test_every_zone_lies_on_the_rail(night):
    for rail in rails_of(night.comparison, night.setup):
        assert 0 <= rail["zero"] <= 100
        assert 0 <= rail["serve"] <= 100
        if "place" in rail:
            assert rail["zone_from"] >= 0
            assert rail["zone_from"] + rail["zone_width"] <= 100
            assert rail["zone_from"] + rail["zone_width"] / 2 == pytest.approx(
                rail["place"], abs=0.02
            )


def test_outward_is_to_the_right_whatever_the_sense_of_the_count(night):
    down = Setup(focuser=Focuser(outward="decreasing"))
    for setup, sign in ((night.setup, 1), (down, -1)):
        rails = rails_of(night.comparison, setup)
        assert sign * (rails[1]["place"] - rails[0]["place"]) > 0  # R lies at +12 steps


def test_places_are_to_scale(night):
    zero, r, oiii = (rails_of(night.comparison, night.setup)[i] for i in (0, 1, 6))
    share = (r["place"] - zero["place"]) / (oiii["place"] - zero["place"])
    assert share == pytest.approx(12.3 / 85.1, abs=0.001)


def test_a_refused_filter_has_no_mark(night):
    rail = rails_of(night.comparison, night.setup)[5]
    assert rail.keys() == {"zero", "serve"}


def test_one_filter_alone_needs_no_scale(night):
    row = replace(night.comparison.rows[0], zone_steps=None)
    comparison = replace(night.comparison, rows=(row,))
    colour = replace(comparison.colour, compromise_steps=None)
    assert rails_of(replace(comparison, colour=colour), night.setup)[0]["place"] == 50


def test_the_words_beside_the_number(night):
    words = {item["row"].filter: item["word"] for item in offset_rows(night)}
    assert words == {
        "L": "reference", "R": "out", "G": "in or leave it", "B": "out", "Ha": "out",
        "SII": "refused", "OIII": "out",
    }  # fmt: skip
