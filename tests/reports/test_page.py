import base64
import io
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image

import starsize
from starsize.estimate import Estimate, Notice
from starsize.frames.frame import InputFile
from starsize.reports import report_html
from starsize.reports.page import strips_of
from starsize.tracking import Filmstrip

from .helpers import Page
from .invented import NIGHT

RUNS = ["night", "night_without_step_size", "nothing_measured", "colour_camera"]


@pytest.fixture(params=RUNS)
def html(request, pages):
    return pages[request.param]


def test_the_page_is_well_formed_and_ids_are_unique(html):
    page = Page(html)
    assert len(page.ids) == len(set(page.ids))


def test_nothing_is_fetched(html):
    page = Page(html)
    assert all(target.startswith("#") for target in page.targets)
    assert {target[1:] for target in page.targets} <= set(page.ids)
    assert not {"script", "link", "img", "iframe", "object", "embed"} & set(page.tags)
    assert not re.search(r"https?:|//[a-z]|@import|url\((?!#)", html)


def test_nan_and_none_are_never_printed(html):
    text = Page(html).text.replace("None of the filters", "")
    assert not set(re.findall(r"[\w.]+", text)) & {"nan", "NaN", "inf", "Infinity", "None"}


def test_every_drawing_is_named_for_those_who_cannot_see_it(html):
    drawings = [svg for svg in re.findall(r"<svg.*?</svg>", html, re.S) if 'role="img"' in svg]
    for svg in drawings:
        tree = ET.fromstring(svg)
        labels = tree.attrib["aria-labelledby"].split()
        named = {e.attrib["id"]: e.text for e in tree.iter() if "id" in e.attrib}
        assert all(named[label] for label in labels)


def test_the_verdict_stands_first(pages):
    text = Page(pages["night"]).text
    order = [
        "6 of 7 filters measured",
        "From L to R, move 12 steps out",
        "No single focus position serves all colours: the glass",
        "Numbers to type in",
        "Warnings",
        "Focus curves",
        "Temperature",
        "What these frames cannot tell",
        "How it was worked out",
    ]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_a_frame_left_out_is_named_under_its_curve(pages):
    text = Page(pages["night"]).text
    assert "✕ a R-1_07.fits: Its stars are 1.5 times as large" in text


def test_a_refused_sweep_says_why_and_what_is_known(pages):
    text = Page(pages["night"]).text
    assert "No answer: best focus not inside the sweep" in text
    assert "Best focus lies above 12460 steps." in text


def test_every_file_is_listed(night, pages):
    text = Page(pages["night"]).text
    assert all(item.path.name in text for item in night.files)


def test_what_is_not_ours_is_escaped(night):
    nasty = "<script>alert(1)</script>.fits"
    facts = replace(night.files[0].facts, path=Path("night") / nasty)
    row = replace(night.comparison.rows[1], filter='<b onclick="x">', reason=nasty)
    comparison = replace(
        night.comparison, rows=(night.comparison.rows[0], row), colour=replace(
            night.comparison.colour, reason=nasty,
            points=(replace(night.comparison.colour.points[0], filter=nasty),
                    night.comparison.colour.points[1]),
        ),
    )  # fmt: skip
    fits = list(night.curves.fits)
    names = (nasty, *fits[1].curve.names[1:])
    curve = replace(fits[1].curve, id=nasty, filter=nasty, names=names)
    fits[1] = replace(fits[1], curve=curve, reason=nasty, verdict="asymmetric")
    run = replace(
        night,
        files=(InputFile(facts.path, facts, nasty), *night.files),
        comparison=comparison,
        curves=replace(night.curves, fits=tuple(fits)),
        notices=(Notice("odd", nasty),),
    )
    html = report_html(run)
    page = Page(html)
    assert "script" not in page.tags
    assert "alert(1)" in page.text
    assert "onclick" not in re.findall(r"<[a-z]+ ([a-z]+)=", html)


def test_a_run_without_a_single_frame_still_makes_a_page(nothing_measured):
    empty = replace(
        nothing_measured,
        files=(),
        sweeps=(),
        measured=(),
        curves=replace(nothing_measured.curves, fits=()),
        comparison=replace(nothing_measured.comparison, rows=()),
    )
    assert "No filter was found in these files." in Page(report_html(empty)).text


def test_a_page_of_many_sweeps_stays_light(night, pages):
    # A page that a phone opens at once: 33 kB of drawing, words and numbers a sweep is generous.
    assert len(pages["night"]) < 33_000 * (len(night.curves.fits) + 3)


def test_the_page_says_which_telescope_camera_night_folder_and_version_it_is_of(night):
    files = tuple(
        replace(f, facts=replace(f.facts, camera="Camera <1>")) if f.facts else f
        for f in night.files
    )
    page = Page(report_html(replace(night, files=files)))
    assert "550 mm f/5.5 · Camera <1> · night of 2025-11-" in page.text
    assert f"folder {NIGHT.name} · starsize {starsize.__version__}" in page.text


def test_a_coefficient_within_twice_its_uncertainty_is_not_called_found(night):
    term = replace(night.comparison.temperature, steps_per_degC=Estimate(-1.1, 1.9))
    run = replace(night, comparison=replace(night.comparison, temperature=term))
    text = Page(report_html(run)).text
    assert "found from these frames" not in text
    assert "focus did not follow the temperature beyond that uncertainty" in text


def star(size, width, flux=1000.0):
    y, x = np.mgrid[:size, :size] - (size - 1) / 2
    light = np.exp(-(x**2 + y**2) / (2 * width**2))
    return (flux * light / light.sum()).astype(np.float32)


def film(one, size=41, gap=None):
    pictures = [star(size, 0.8 * f.radius_px) for f in one.frames]
    if gap is not None:
        pictures[gap] = None
    return Filmstrip(
        pictures=tuple(pictures),
        radius_px=np.array([f.radius_px for f in one.frames]),
        x_px=100.0,
        y_px=50.0,
    )


@pytest.fixture(scope="module")
def shown(night):
    """The invented night with a strip of R-1, whose frame 7 is left out, and no other."""
    strips = [None] * len(night.measured)
    strips[1] = film(night.measured[1], gap=2)
    return replace(night, strips=tuple(strips))


def pixels(uri):
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(uri.partition(",")[2]))))


def test_positions_rise_and_the_frame_nearest_best_focus_is_marked(shown):
    (strip,) = strips_of(shown)
    positions = [float(still["position"]) for still in strip["stills"]]
    assert positions == sorted(positions)
    best = shown.curves.fits[1].best_steps
    (marked,) = [still for still in strip["stills"] if still["is_best"]]
    assert float(marked["position"]) == min(positions, key=lambda p: abs(p - best))


def test_a_frame_that_is_left_out_has_the_letter_of_its_curve(shown):
    (strip,) = strips_of(shown)
    assert [still["letter"] for still in strip["stills"] if still["letter"]] == ["a"]


def test_brightness_is_the_same_along_a_row(shown):
    (strip,) = strips_of(shown)
    peaks = [pixels(still["picture"]).max() for still in strip["stills"] if still["picture"]]
    assert max(peaks) == 255
    (marked,) = [still for still in strip["stills"] if still["is_best"]]
    assert pixels(marked["picture"]).max() > min(peaks) + 60


def test_large_pictures_are_drawn_smaller_and_black_beyond_the_frame(night):
    one = night.measured[0]
    large = film(one, size=161)
    large.pictures[0][:, :40] = np.nan
    run = replace(night, strips=(large, *(None for _ in night.measured[1:])))
    (strip,) = strips_of(run)
    seen = [pixels(still["picture"]) for still in strip["stills"]]
    assert {picture.shape for picture in seen} == {(80, 80)}
    assert all((picture[:, 0] == 0).all() for picture in seen)


def test_every_picture_says_what_it_shows(shown):
    page = Page(report_html(shown))
    (strip,) = strips_of(shown)
    seen = [still for still in strip["stills"] if still["picture"]]
    assert len(seen) == len(page.alternatives)
    for still, words in zip(seen, page.alternatives, strict=True):
        assert words.startswith("The star at {position} steps: HFR {hfr} px".format(**still))
    assert "nearest to best focus" in " ".join(page.alternatives)
    assert sum(not still["picture"] for still in strip["stills"]) == 1
    assert "One star through focus" in page.text


def test_stored_results_have_no_strips(pages):
    assert "One star through focus" not in Page(pages["night"]).text
