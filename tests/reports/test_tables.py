import csv
import io
from dataclasses import replace

import pytest

from starsize.estimate import Estimate
from starsize.frames.frame import InputFile
from starsize.reports.tables import (
    CURVE_COLUMNS,
    FRAME_COLUMNS,
    curves_csv,
    frames_csv,
    offsets_csv,
)

from .invented import NIGHT

#: As the command's contract lists them.
CONTRACT = [
    "filter", "reference", "status", "sweeps", "frames", "stars", "best_focus_steps",
    "best_focus_sigma_steps", "offset_steps", "offset_sigma_steps", "move_steps", "offset_um",
    "zone_steps", "action", "reason", "sigma_frames_steps", "sigma_focuser_steps",
    "growth_if_ignored", "offset_half997_steps",
]  # fmt: skip
RUNS = ["night", "night_without_step_size", "nothing_measured", "colour_camera"]


@pytest.fixture(params=RUNS)
def run(request):
    return request.getfixturevalue(request.param)


def read(text):
    return list(csv.DictReader(io.StringIO(text)))


def test_offsets_have_the_columns_of_the_contract_in_their_order(run):
    assert offsets_csv(run).splitlines()[0] == ",".join(CONTRACT)


def test_offsets_have_one_row_per_filter(night):
    rows = {row["filter"]: row for row in read(offsets_csv(night))}
    assert list(rows) == ["L", "R", "G", "B", "Ha", "SII", "OIII"]
    assert rows["R"] | {"reason": ""} == {
        "filter": "R",
        "reference": "L",
        "status": "measured",
        "sweeps": "1",
        "frames": "11",
        "stars": "146",
        "best_focus_steps": "12357.90",
        "best_focus_sigma_steps": "1.20",
        "offset_steps": "12.30",
        "offset_sigma_steps": "1.60",
        "move_steps": "12",
        "offset_um": "49.2",
        "zone_steps": "9.68",
        "action": "move",
        "reason": "",
        "sigma_frames_steps": "",
        "sigma_focuser_steps": "",
        "growth_if_ignored": "",
        "offset_half997_steps": "",
    }
    assert rows["SII"]["move_steps"] == ""
    assert rows["SII"]["reason"]


def test_curves_have_one_row_per_sweep(night):
    rows = read(curves_csv(night))
    assert list(rows[0]) == list(CURVE_COLUMNS)
    assert [row["sweep"] for row in rows] == [one.id for one in night.measured]
    assert rows[1]["frames"] == "11"
    assert rows[1]["frames_used"] == "10"
    refused = rows[-1]
    assert (refused["answered"], refused["verdict"]) == ("no", "not_bracketed")
    assert (refused["best_focus_steps"], refused["model"], refused["frames_used"]) == ("", "", "0")
    assert (refused["bound_low_steps"], refused["bound_high_steps"]) == ("12460", "")
    assert rows[0]["start_utc"].endswith("Z")


def test_play_stands_in_the_last_columns_of_the_curves_where_a_sweep_shows_it(night):
    fits = list(night.curves.fits)
    fits[1] = replace(fits[1], play_steps=Estimate(23.4, 2.1))
    rows = read(curves_csv(replace(night, curves=replace(night.curves, fits=tuple(fits)))))
    assert list(rows[0])[-3:] == ["reason", "play_steps", "play_sigma_steps"]
    assert (rows[1]["play_steps"], rows[1]["play_sigma_steps"]) == ("23.40", "2.10")
    assert (rows[0]["play_steps"], rows[0]["play_sigma_steps"]) == ("", "")


def test_frames_have_one_row_per_input_file(run):
    rows = read(frames_csv(run))
    assert list(rows[0]) == list(FRAME_COLUMNS)
    assert [row["file"] for row in rows] == [item.path.name for item in run.files]
    assert all(row["reason"] for row in rows if row["used"] == "no")


def test_a_colour_camera_names_the_channel_of_its_radius(colour_camera):
    assert {row["channel"] for row in read(frames_csv(colour_camera))} == {"G"}


def test_no_table_ever_prints_nan_or_infinity(run):
    for text in (offsets_csv(run), curves_csv(run), frames_csv(run)):
        cells = {cell.lower() for row in csv.reader(io.StringIO(text)) for cell in row}
        assert not cells & {"nan", "inf", "-inf", "none", "-nan"}


def test_lines_end_in_a_bare_newline(run):
    for text in (offsets_csv(run), curves_csv(run), frames_csv(run)):
        assert "\r" not in text
        assert text.endswith("\n")


def test_commas_quotes_and_line_breaks_in_names_do_not_tear_the_table(night):
    odd = 'a, "b"\nc.fits'
    facts = replace(night.files[0].facts, path=night.files[0].path.with_name(odd))
    files = (InputFile(facts.path, facts, "It was, to say it so, not used."),)
    row = read(frames_csv(replace(night, files=files)))[0]
    assert row["file"] == odd


def test_names_that_begin_like_a_formula_are_harmless_and_numbers_stay_numbers(night):
    files = (replace(night.files[0], path=NIGHT / "=1+1.fits"), *night.files[1:])
    rows = list(csv.DictReader(io.StringIO(frames_csv(replace(night, files=files)))))
    assert rows[0]["file"] == "./=1+1.fits"
    comparison = replace(
        night.comparison, rows=(replace(night.comparison.rows[2], filter="=cmd|' /C calc'!A0"),)
    )
    (row,) = csv.DictReader(io.StringIO(offsets_csv(replace(night, comparison=comparison))))
    assert row["filter"].startswith("'=cmd")
    assert float(row["offset_steps"]) < 0
