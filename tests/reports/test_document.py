import json
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

from starsize.estimate import Estimate
from starsize.reports import measurement_document, result_document
from starsize.reports.document import plain
from starsize.reports.folder import json_text

from .helpers import departures

KEYS = [
    "schema", "setup", "frames", "sweeps", "curves", "offsets", "offset_covariance", "colour",
    "temperature", "focuser", "field", "warnings",
]  # fmt: skip
RUNS = ["night", "night_without_step_size", "nothing_measured", "colour_camera"]


@pytest.fixture(params=RUNS)
def run(request):
    return request.getfixturevalue(request.param)


def schema():
    return json.loads(files("starsize.reports").joinpath("schema.json").read_text("utf-8"))


def test_the_top_level_keys_are_the_contract(run):
    assert list(result_document(run)) == KEYS


def test_the_document_follows_its_schema(run):
    assert departures(result_document(run), schema()) == []


@pytest.mark.parametrize("key", KEYS)
def test_the_schema_notices_a_missing_key(night, key):
    document = result_document(night)
    del document[key]
    assert departures(document, schema()) == [f"$: '{key}' is a required property"]


def test_the_schema_notices_a_wrong_type_deep_inside(night):
    document = result_document(night)
    document["curves"]["fits"][0]["best_focus_steps"]["value"] = "12345"
    assert len(departures(document, schema())) == 1


def test_it_is_plain_json_without_nan_and_survives_the_round_trip(run):
    document = result_document(run)
    assert json.loads(json_text(document)) == document


def test_offsets_are_the_rows_of_the_table(night):
    offsets = {row["filter"]: row for row in result_document(night)["offsets"]}
    assert offsets["R"]["offset_steps"] == 12.3
    assert offsets["R"]["move_steps"] == 12
    assert offsets["SII"]["offset_steps"] is None
    assert offsets["SII"]["status"] == "refused"


def test_covariances_are_kept(night):
    document = result_document(night)
    matrix = np.array(document["offset_covariance"]["matrix_steps2"])
    assert np.allclose(matrix, night.comparison.covariance_steps2, rtol=1e-11)
    assert document["offset_covariance"]["half95_steps"] == [0.0, 3.4, 3.4, 3.4, 3.4, 3.4]
    joint = document["curves"]["best_focus_covariance"]
    assert len(joint["sweeps"]) == len(joint["matrix_steps2"]) == 8


def test_what_cannot_be_answered_is_null_with_a_warning(nothing_measured):
    document = result_document(nothing_measured)
    codes = {warning["code"] for warning in document["warnings"]}
    assert document["field"] is None
    assert document["temperature"]["steps_per_degC"] is None
    assert document["focuser"]["um_per_step"] is None
    assert {
        "field_unknown",
        "temperature_unknown",
        "step_size_unknown",
        "nothing_measured",
    } <= codes


def test_what_is_answered_carries_no_such_warning(night):
    codes = {warning["code"] for warning in result_document(night)["warnings"]}
    assert codes == {"sweep_refused", "backlash_unknown", "field_unknown"}


def test_a_refused_sweep_carries_its_bound_and_no_number(night):
    fit = result_document(night)["curves"]["fits"][-1]
    assert fit["best_focus_steps"] == {"value": None, "sigma": None}
    assert fit["bound_steps"] == [12_460.0, None]
    assert fit["model"] is None


def test_every_file_is_listed_with_what_became_of_it(night):
    frames = {frame["file"]: frame for frame in result_document(night)["frames"]}
    assert len(frames) == len(night.files)
    assert frames["notes.txt"] == {
        "file": "notes.txt",
        "used": False,
        "reason": "It is not a FITS file.",
        "facts": None,
        "readings": [],
    }
    assert frames["dark_01.fits"]["facts"]["kind"] == "dark"


def test_no_path_of_the_machine_is_written(night):
    assert "night/" not in json_text(result_document(night))


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (np.float32(0.5), 0.5),
        (np.int64(3), 3),
        (np.bool_(True), True),
        (float("inf"), None),
        (np.array([[1.0, np.nan]]), [[1.0, None]]),
        (Estimate(1 / 3, 0.1), {"value": 0.333333333333, "sigma": 0.1}),
    ],
)
def test_plain_brings_anything_to_json(value, expected):
    found = plain(value)
    assert found == expected
    assert type(found) is type(expected)


def test_a_measured_frame_is_plain_data(night):
    frame = night.measured[0].frames[0]
    document = measurement_document(frame)
    assert json.loads(json_text(document)) == document
    assert document["file"] == "L-1_00.fits"
    assert document["hfr_px"]["value"] == pytest.approx(frame.radius_px)
    blank = measurement_document(replace(frame, radius_px=float("nan"), reason="no star"))
    assert blank["hfr_px"]["value"] is None
    assert blank["reason"] == "no star"
