import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

import starsize.reports
from starsize.reports.figures import colour_svg, sweep_svgs, temperature_svg
from starsize.reports.tables import left_out_letters


def draw(fit, name="one"):
    return sweep_svgs([fit], name=name)[0]


def test_matplotlib_is_known_in_one_place():
    folder = Path(starsize.reports.__file__).parent.parent
    knowing = [p for p in folder.rglob("*.py") if "matplotlib" in p.read_text(encoding="utf-8")]
    importing = [p for p in knowing if "import matplotlib" in p.read_text(encoding="utf-8")
                 or "from matplotlib" in p.read_text(encoding="utf-8")]  # fmt: skip
    assert [p.name for p in importing] == ["_canvas.py"]


def test_importing_the_reports_does_not_load_matplotlib():
    code = "import sys, starsize.reports; sys.exit('matplotlib' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_drawing_leaves_the_settings_of_matplotlib_alone(night):
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    draw(night.curves.fits[0])
    assert dict(mpl.rcParams) == before


def test_a_drawing_is_deterministic_and_its_ids_carry_its_name(night):
    fit = night.curves.fits[1]
    assert draw(fit) == draw(fit)
    tree = ET.fromstring(draw(fit, "two"))
    ids = [element.attrib["id"] for element in tree.iter() if "id" in element.attrib]
    assert len(ids) == len(set(ids))
    assert all(one.startswith("two-") for one in ids)


def test_colours_are_left_to_the_page(night):
    svg = draw(night.curves.fits[1])
    assert "var(--R)" in svg
    assert "var(--warn)" in svg
    assert not re.search("#[0-9a-f]{6}", svg)


def test_words_stay_words(night):
    words = [e.text for e in ET.fromstring(draw(night.curves.fits[0])).iter("text")]
    assert "focuser position (steps)" in words


def test_every_frame_that_is_left_out_has_its_letter(night):
    fit = night.curves.fits[1]
    letters = left_out_letters(fit)
    assert [letter for letter in letters if letter] == ["a"]
    assert [not letter for letter in letters] == list(fit.used)
    used = np.zeros(len(fit.curve.names), bool)
    assert left_out_letters(replace(fit, used=used)) == list("abcdefghijk")


@pytest.mark.parametrize("count", [0, 1])
def test_a_sweep_with_hardly_a_frame_is_still_drawn(nothing_measured, count):
    fit = nothing_measured.curves.fits[0]
    curve = fit.curve
    arrays = ("position_steps", "radius_px", "radius_sigma_px", "n_stars", "temperature_degC",
              "time_mjd", "names")  # fmt: skip
    few = replace(curve, **{name: getattr(curve, name)[:count] for name in arrays})
    svg = draw(replace(fit, curve=few, used=fit.used[:count], frame_reasons=(None,) * count))
    assert f"{count} frames" in svg


def test_the_drawing_says_in_words_what_it_shows(night):
    svg = draw(night.curves.fits[0])
    assert "11 frames from 12139 to 12539 steps. Best focus at 12339.00 steps" in svg


def test_colour_needs_two_wavelengths(night):
    colour = night.comparison.colour
    options = {"um_per_step": 4.0, "name": "c", "width_px": 500}
    assert colour_svg(replace(colour, points=colour.points[:1]), night.setup, **options) is None
    nameless = tuple(replace(point, wavelength_nm=None) for point in colour.points)
    assert colour_svg(replace(colour, points=nameless), night.setup, **options) is None
    assert "micrometres" in colour_svg(colour, night.setup, **options)
    assert "micrometres" not in colour_svg(colour, night.setup, **(options | {"um_per_step": None}))


def test_temperature_needs_a_range(night, colour_camera):
    assert "°C" in temperature_svg(night.curves.fits, night.comparison, name="t")
    assert temperature_svg(night.curves.fits[:1], night.comparison, name="t") is None
    assert temperature_svg(colour_camera.curves.fits, colour_camera.comparison, name="t") is None


def test_only_what_was_fitted_is_drawn(night):
    # One line of many points: the curve, and no other beside it.
    drawing = ET.fromstring(draw(night.curves.fits[0]))
    paths = [element.get("d", "") for element in drawing.iter()]
    assert sum(path.count("L") > 50 for path in paths) == 1


@pytest.mark.parametrize("name", ["$\\frac{$", "a_b^c", "\u6ee4\u955c", "Hα & <b>", "#1"])
def test_filters_may_be_called_anything(night, name):
    colour = night.comparison.colour
    points = (replace(colour.points[0], filter=name), *colour.points[1:])
    svg = colour_svg(
        replace(colour, points=points), night.setup, um_per_step=None, name="c", width_px=400
    )
    assert name in [e.text for e in ET.fromstring(svg).iter("text")]
    fits = list(night.curves.fits)
    fits[0] = replace(fits[0], curve=replace(fits[0].curve, filter=name, id=name))
    row = replace(night.comparison.rows[0], filter=name)
    comparison = replace(night.comparison, rows=(*night.comparison.rows, row))
    svg = temperature_svg(tuple(fits), comparison, name="t")
    assert name in [e.text for e in ET.fromstring(svg).iter("text")]
    assert ET.fromstring(draw(fits[0])).find("title").text == f"Focus curve of sweep {name}"
