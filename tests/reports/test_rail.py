from dataclasses import replace

import pytest

from starsize.reports.page import Ruler, offsets_ruler
from starsize.reports.words import from_reference, macros
from starsize.setup import Focuser, Setup

SAID = macros("said.txt")


def test_every_zone_and_the_common_position_lie_on_the_rail(night):
    ruler, comparison = offsets_ruler(night.comparison, night.setup), night.comparison
    serve = ruler.place(from_reference(comparison.colour.compromise_steps, comparison))
    assert 0 <= ruler.place(0) < serve <= 100
    for row in night.comparison.rows:
        if row.offset_steps is not None:
            start, width = ruler.bar(row.offset_steps, row.zone_steps)
            assert start >= 0
            assert start + width <= 100
            assert start + width / 2 == pytest.approx(ruler.place(row.offset_steps), abs=0.02)


def test_outward_is_to_the_right_whatever_the_sense_of_the_count(night):
    down = Setup(focuser=Focuser(outward="decreasing"))
    for setup, sign in ((night.setup, 1), (down, -1)):
        ruler = offsets_ruler(night.comparison, setup)
        assert sign * (ruler.place(12.3) - ruler.place(0)) > 0
        start, width = ruler.bar(12.3, 4.0)
        assert start + width / 2 == pytest.approx(ruler.place(12.3), abs=0.02)


def test_places_are_to_scale(night):
    ruler = offsets_ruler(night.comparison, night.setup)
    zero, near, far = map(ruler.place, (0.0, 12.3, 85.1))
    assert (near - zero) / (far - zero) == pytest.approx(12.3 / 85.1, abs=0.001)


def test_what_is_not_known_has_no_mark(night):
    ruler = offsets_ruler(night.comparison, night.setup)
    assert ruler.place(None) is ruler.place(float("nan")) is None
    assert ruler.bar(None, 3.0) is ruler.bar(3.0, None) is None


def test_one_filter_alone_needs_no_scale():
    assert Ruler([(0.0, 0.0), (None, 5.0)]).place(0.0) == 50


def test_the_words_beside_the_number(night):
    rows = night.comparison.rows
    assert {row.filter: SAID.beside(row, night.setup, False) for row in rows} == {
        "L": "reference", "R": "out", "G": "in or leave it", "B": "out", "Ha": "out",
        "SII": "refused", "OIII": "out",
    }  # fmt: skip
    flat = replace(rows[2], move_steps=0)
    assert SAID.beside(flat, night.setup, False) == "leave it"
