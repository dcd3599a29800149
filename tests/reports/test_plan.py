"""The plan as files and in the terminal."""

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from rich.console import Console

import starsize.reports as reports
from starsize.errors import OutputError
from starsize.frames.tables import read_plan, read_plan_setup
from starsize.plan import Scouted, plan_capture
from starsize.setup import Camera, FilterGlass, Focuser, Setup, Telescope

from .helpers import departures

SCHEMA = json.loads((Path(reports.__file__).parent / "plan_schema.json").read_text("utf-8"))
SETUP = Setup(
    telescope=Telescope(focal_length_mm=480.0, aperture_mm=87.0),
    focuser=Focuser(um_per_step=4.0),
    camera=Camera(pixel_um=3.76),
    filters={"L": FilterGlass(), "Ha": FilterGlass(bandwidth_nm=7.0)},
)


@pytest.fixture(scope="module")
def plan():
    return plan_capture(SETUP, position_steps=12000)


def shown(plan, width=80, encoding="utf-8"):
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    reports.print_found(plan, console=Console(file=out, width=width))
    out.flush()
    return out.buffer.getvalue().decode(encoding)


def test_the_document_keeps_to_its_schema(plan):
    assert departures(reports.plan_document(plan), SCHEMA) == []


def test_the_schema_would_find_a_fault(plan):
    document = reports.plan_document(plan)
    del document["duration_s"]
    document["can_answer"]["play"] = "no"
    assert len(departures(document, SCHEMA)) == 2


def test_the_contract_of_the_document(plan):
    document = reports.plan_document(plan)
    assert document["expected_sigma_steps"]["L"] == 0
    assert set(document["expected_sigma_steps"]) == set(document["zone_steps"]) == {"L", "Ha"}
    assert set(document["can_answer"]) == {"colour", "slip", "temperature", "play"}
    assert all(set(one) == {"name", "value", "unit"} for one in document["assumed"])
    json.dumps(document, allow_nan=False)


def test_what_is_written_can_be_followed_again(plan, tmp_path):
    written = reports.write_plan(plan, tmp_path / "out")
    assert [path.name for path in written] == ["plan.csv", "plan.json"]
    rows = read_plan(written[0])
    assert [replace(row, note="") for row in rows] == list(plan.exposures)
    setup, hfr_px = read_plan_setup(written[0])
    assert setup == plan.setup
    assert hfr_px == pytest.approx(plan.hfr_px)


def test_notes_say_where_to_run_in(plan, tmp_path):
    text = reports.write_plan(plan, tmp_path / "out")[0].read_text("utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    starts = [row for row in rows if row["note"].startswith("first go to")]
    assert len(starts) == len(plan.sweeps)
    first = int(rows[0]["note"].split()[3].rstrip(","))
    assert first == int(rows[0]["position_steps"]) - plan.run_in_steps


def test_it_is_never_written_over_another_file(plan, tmp_path):
    (tmp_path / "plan.csv").write_text("mine")
    with pytest.raises(OutputError, match="not written by starsize"):
        reports.write_plan(plan, tmp_path)
    assert (tmp_path / "plan.csv").read_text() == "mine"
    assert not (tmp_path / "plan.json").exists()


def test_the_checklist_names_order_exposures_cautions_and_what_is_assumed(plan):
    text = " ".join(shown(plan).split())
    for caution in (
        "near the Sun",
        "Stay inside the focuser's travel",
        "Heavy gear",
        "Local rules",
    ):
        assert caution in text
    assert " ".join(sweep[0].filter for sweep in plan.sweeps) in text
    for one in plan.assumed:
        assert one.name in text
    assert "12000" in text


@pytest.mark.parametrize("width", [40, 60, 120])
def test_it_fits_the_screen(plan, width):
    assert max(len(line) for line in shown(plan, width=width).splitlines()) <= width


def test_a_plain_screen_gets_plain_signs(plan):
    assert "+-" in shown(plan, encoding="ascii")


def test_without_a_position_it_says_so():
    assert "--position" in shown(plan_capture(SETUP), width=200)


def test_a_run_in_below_zero_is_warned_of():
    low = plan_capture(SETUP, told=Scouted(centre_steps={"": 100.0}))
    assert "run-in would start at -" in shown(low, width=200)


def test_effort_that_buys_nothing_is_called_so(plan):
    (frame, *_) = plan.more
    for share, words in ((1.0, "every sweep: nothing, ±"), (0.5, "steps in place of ±")):
        more = replace(frame, after_steps=share * frame.before_steps)
        assert words in shown(replace(plan, more=(more,)), width=200)
