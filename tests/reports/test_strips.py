"""Strips of real stars on the page: order, marks, words, and the same brightness along a row."""

import base64
import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from starsize.reports import report_html
from starsize.reports.page import strips_of
from starsize.tracking import Filmstrip

from .helpers import Page


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
