from dataclasses import replace

import pytest

from starsize.reports.numbers import move_number
from starsize.reports.page import comparison_html
from starsize.reports.words import macros

from .helpers import Page


def test_the_page_is_well_formed_and_fetches_nothing(two_sets):
    html = comparison_html(two_sets)
    page = Page(html)
    assert page.targets == []
    assert "http" not in html


def test_the_verdict_and_the_numbers_to_change_stand_first(two_sets):
    text = Page(comparison_html(two_sets)).text
    first = "2 of 3 filters changed focus. Update the moves of R, OIII."
    assert first in text
    assert "Change in your equipment: R from +12 to +3, OIII from +85 to +2." in text
    assert text.index(first) < text.index("Old against new") < text.index("Warnings")


def test_unknown_numbers_are_left_empty(two_sets):
    words = Page(comparison_html(two_sets)).text.lower().split()
    assert not {"nan", "none"} & set(words)


def test_names_are_escaped(two_sets):
    page = Page(comparison_html(replace(two_sets, old_name="<script>x</script>")))
    assert "script" not in page.tags


@pytest.mark.parametrize("verdict", ["changed", "unchanged", "cannot tell"])
def test_every_verdict_has_its_headline(two_sets, verdict):
    said = macros("said.txt").set_headline(replace(two_sets, verdict=verdict))
    assert said.endswith(".")


def test_moves_carry_their_sign():
    assert [move_number(steps) for steps in (3, -3, 0, None)] == ["+3", "-3", "0", "–"]
