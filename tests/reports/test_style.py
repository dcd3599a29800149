"""The page's colours against the contrast that the web's accessibility guidelines ask for."""

import re
from importlib.resources import files

import pytest

from starsize.filters import BANDS
from starsize.reports.words import filter_tint


def colours():
    """The colours of the light and the dark page."""
    style = files("starsize.reports").joinpath("templates/style.css").read_text("utf-8")
    light, dark = (
        dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", block))
        for block in re.findall(r":root \{(.*?)\}", style, re.S)[:2]
    )
    return {"light": light, "dark": dark}


def luminance(colour):
    """Relative luminance (WCAG 2.1, definition of relative luminance; from memory)."""
    parts = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
    linear = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return sum(w * c for w, c in zip((0.2126, 0.7152, 0.0722), linear, strict=True))


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_measure_itself_is_right():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.1: the largest there is


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("name", ["ink", "muted", "warn", "accent"])
def test_text_stands_out_from_the_paper(mode, name):
    page = colours()[mode]
    assert contrast(page[name], page["paper"]) >= 4.5  # WCAG 2.1, criterion 1.4.3


@pytest.mark.parametrize("mode", ["light", "dark"])
@pytest.mark.parametrize("name", [*BANDS, "other-1", "other-2", "other-3"])
def test_marks_stand_out_from_the_paper(mode, name):
    page = colours()[mode]
    assert contrast(page[name], page["paper"]) >= 3  # WCAG 2.1, criterion 1.4.11


@pytest.mark.parametrize("name", [*BANDS, "V", "colour", "", "<odd>", "Größe"])
def test_every_filter_has_a_colour_of_the_page(name):
    assert filter_tint(name) in colours()["light"]
