"""Drawings for notebooks: axes come back, in real colours, for whatever the steps hand out."""

import re
from importlib import resources

import matplotlib as mpl
import numpy as np
import pytest

import starsize
from starsize.reports.figures._canvas import PLAIN

mpl.use("agg")


@pytest.fixture
def axes():
    from matplotlib.figure import Figure

    return Figure().add_subplot()


def shown(night, what):
    return {
        "result": night,
        "table": night.comparison,
        "colours": night.comparison.colour,
        "sweeps": night.curves,
        "fit": night.curves.fits[0],
        "refused fit": night.curves.fits[-1],
        "radii": night.curves.fits[0].curve,
        "sweep": night.measured[0],
    }[what]


@pytest.mark.parametrize(
    "what",
    ["result", "table", "colours", "sweeps", "fit", "refused fit", "radii", "sweep"],
)
def test_the_axes_given_come_back_drawn_on_and_labelled(night, what, axes):
    assert starsize.plot(shown(night, what), ax=axes) is axes
    assert axes.has_data()
    assert "steps" in axes.get_xlabel() + axes.get_ylabel()
    used = {line.get_color() for line in axes.get_lines()}
    assert used <= set(PLAIN.values())


def test_colours_of_a_night_without_an_answer_are_empty_axes(nothing_measured, axes):
    assert starsize.plot(nothing_measured.comparison.colour, ax=axes) is axes
    assert not axes.texts


def test_without_axes_a_new_figure_is_made_and_drawn(night):
    from matplotlib import pyplot as plt

    drawn = starsize.plot(night.curves.fits[0])
    drawn.figure.canvas.draw()
    assert drawn.get_xlabel() == "focuser position (steps)"
    plt.close(drawn.figure)


def test_a_page_drawn_after_a_plot_still_leaves_its_colours_to_the_page(night, axes):
    from starsize.reports.figures import sweep_svgs

    starsize.plot(night.curves.fits[0], ax=axes)
    assert "var(--L)" in sweep_svgs(night.curves.fits[:1], name="one")[0]


def test_what_cannot_be_drawn_is_named(axes):
    with pytest.raises(TypeError, match=r"'thing' must be .* got ndarray"):
        starsize.plot(np.zeros(3), ax=axes)


def test_the_colours_are_those_of_the_light_page():
    style = resources.files("starsize.reports").joinpath("templates/style.css").read_text("utf-8")
    light = style[: style.index("@media")]
    assert dict(re.findall(r"--([\w-]+): (#\w{6});", light)) == PLAIN
    assert {"ink", "paper", "warn", "L", "OIII", "other-3"} <= PLAIN.keys()


@pytest.mark.parametrize("what", ["result", "table", "sweeps", "fit", "sweep"])
def test_a_notebook_shows_a_table(night, what):
    html = shown(night, what)._repr_html_()
    assert html.startswith("<table><caption>")
    assert html.count("<tr>") > 1
    assert len(html) < 10_000
