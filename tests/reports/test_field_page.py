"""The section on the field: what it says, which side it names, its numbers in steps and zones."""

import json
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

from starsize.comparison.compared import FieldReport
from starsize.estimate import Estimate
from starsize.reports import report_html, result_document
from starsize.reports.figures import field_svg
from starsize.reports.figures.drawings import shape_um

from .helpers import Page, departures

#: Focus 60 um further out at the right edge: there the sensor stands 60 um too near the telescope,
#: at the left edge as much too far. So the left edge has to move towards the telescope.
TILTED = FieldReport(
    tilt_x_um=Estimate(60.0, 1.0),
    tilt_y_um=Estimate(-20.0, 1.0),
    tilt_arcmin=Estimate(23.3, 0.4),
    curvature_um=Estimate(-10.0, 2.0),
    corners_um=tuple(
        Estimate(60.0 * u - 20.0 * v - 10.0, 2.4) for u, v in ((-1, -1), (1, -1), (-1, 1), (1, 1))
    ),
    significant=True,
    tilt_significant=True,
    changes_with_filter=False,
    stars=180,
    frame_px=(4656.0, 3520.0),
    zone_um=33.0,
)


def with_field(result, field=TILTED):
    health = replace(result.comparison.focuser, um_per_step=Estimate(4.0))
    return replace(result, comparison=replace(result.comparison, field=field, focuser=health))


def said(night, field):
    """The page's section on the field, without the drawings of the other sections."""
    bare = replace(night, measured=(), curves=replace(night.curves, fits=()))
    return Page(report_html(with_field(bare, field))).text


@pytest.mark.parametrize(
    ("x", "y", "side"),
    [
        (60, 0, "left"), (-60, 10, "right"), (0, 60, "lower"), (10, -60, "upper"),
        (60, -50, "upper left"), (-60, 50, "lower right"),
    ],
)  # fmt: skip
def test_the_side_that_must_move_in_is_where_focus_lies_furthest_in(night, x, y, side):
    field = replace(TILTED, tilt_x_um=Estimate(float(x), 1.0), tilt_y_um=Estimate(float(y), 1.0))
    assert field.towards_telescope == side
    u, v = np.meshgrid([-1.0, 0.0, 1.0], [-1.0, 0.0, 1.0])
    flat = replace(field, curvature_um=Estimate(0.0, 1.0))
    low = np.unravel_index(np.argmin(shape_um(flat, u, v)), u.shape)
    places = {"left": u[low] < 0, "right": u[low] > 0, "lower": v[low] < 0, "upper": v[low] > 0}
    assert all(places[word] for word in side.split())
    edge = "corner" if " " in side else "edge"
    assert f"The {side} {edge} of the image" in said(night, field)


def test_the_advice_counts_from_one_side_to_the_other(night):
    assert "120 µm against the right edge." in said(night, TILTED)
    assert "must move towards it" not in said(night, replace(TILTED, tilt_significant=False))


def test_the_headline_counts_in_zones(night):
    # The lower right corner: 60 + 20 - 10 um; the upper left one -60 - 20 - 10 of 33 um.
    assert "up to 2.7 zones" in said(night, TILTED)
    assert "stays inside" in said(night, replace(TILTED, zone_um=100.0))
    assert "No tilt or curvature is seen." in said(night, replace(TILTED, significant=False))


def test_numbers_stand_in_a_table_and_turn_with_the_count(night):
    said = Page(report_html(with_field(night))).text
    assert "lower right +70.0 ± 2.4 +17.50 ± 0.60 +2.1" in said
    setup = night.setup
    inward = replace(setup, focuser=replace(setup.focuser, outward="decreasing"))
    turned = Page(report_html(replace(with_field(night), setup=inward))).text
    assert "lower right +70.0 ± 2.4 -17.50 ± 0.60 +2.1" in turned


def test_the_page_draws_the_map_with_words_beside_it(night):
    page = report_html(with_field(night))
    assert page.count('aria-labelledby="field-wide-title field-wide-desc"') == 1
    assert "the left side of the camera must move towards the telescope" in page
    assert "The pattern is the same in all filters." in page
    assert "upper left" in page


def test_the_map_names_its_corners():
    svg = field_svg(TILTED, steps_per_um=0.25, name="f", width_px=360)
    for words in (
        "lower left",
        "upper right",
        "+18 steps, +2.1 zones",
        "Best focus over the frame",
    ):
        assert words in svg


def test_the_document_holds_it_by_the_schema(night):
    document = result_document(with_field(night))
    assert document["field"]["towards_telescope"] == "left"
    assert document["field"]["corners_zones"][1]["value"] == pytest.approx(70 / 33)
    schema = json.loads(files("starsize.reports").joinpath("schema.json").read_text("utf-8"))
    assert departures(document, schema) == []
