"""The main job on the invented demo night, against the simulator's truth, through the command."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

DEMO = Path(__file__).parents[1] / "testdata" / "demo_night"
COLUMNS = (
    "filter,reference,status,sweeps,frames,stars,best_focus_steps,best_focus_sigma_steps,"
    "offset_steps,offset_sigma_steps,move_steps,offset_um,zone_steps,action,reason,"
    "sigma_frames_steps,sigma_focuser_steps,growth_if_ignored,offset_half997_steps"
)


@pytest.fixture(scope="session")
def truth():
    return json.loads((DEMO / "truth.json").read_text("utf-8"))


def test_all_seven_filters_are_answered_in_the_order_people_expect(demo, rows):
    assert demo[0] == 0
    assert list(rows) == ["L", "R", "G", "B", "Ha", "SII", "OIII"]
    assert {row["status"] for row in rows.values()} == {"measured"}


def test_the_table_has_the_columns_of_the_contract(demo):
    assert (demo[1] / "offsets.csv").read_text("utf-8").splitlines()[0] == COLUMNS


def test_every_offset_is_within_three_sigma_and_a_quarter_zone_of_the_truth(rows, truth):
    for name, row in rows.items():
        error = abs(float(row["offset_steps"]) - truth["offset_steps"][name])
        assert error <= 3 * float(row["offset_sigma_steps"]) + 1e-6, name
        assert error <= 0.25 * float(row["zone_steps"]), name


def test_the_uncertainty_is_useful_not_only_safe(rows):
    others = [row for name, row in rows.items() if name != "L"]
    assert all(float(row["offset_sigma_steps"]) < 0.25 * float(row["zone_steps"]) for row in others)


def test_every_input_file_has_a_row_and_a_reason_if_unused(demo):
    with (demo[1] / "frames.csv").open(encoding="utf-8", newline="") as file:
        listed = list(csv.DictReader(file))
    offered = [path for path in DEMO.iterdir() if not path.name.startswith(".")]
    assert len(listed) == len(offered)
    assert all(row["used"] == "yes" or row["reason"] for row in listed)


def test_the_document_has_every_key_of_the_contract_and_no_number_that_is_not_one(demo):
    def refuse(word):
        raise AssertionError(word)

    text = (demo[1] / "result.json").read_text("utf-8")
    document = json.loads(text, parse_constant=refuse)
    assert set(document) >= {
        "schema", "setup", "frames", "sweeps", "curves", "offsets", "offset_covariance",
        "colour", "temperature", "focuser", "field", "warnings",
    }  # fmt: skip
    matrix = np.array(document["offset_covariance"]["matrix_steps2"])
    assert matrix.shape == (7, 7)
    assert np.linalg.eigvalsh(matrix).min() > -1e-9
    assert len(document["offsets"]) == 7
