import json
import shutil

import numpy as np
import pytest

from starsize import load_result
from starsize.errors import InputError
from starsize.reports import load_measured_set, write_results


@pytest.fixture(scope="module")
def written(night, tmp_path_factory):
    folder = tmp_path_factory.mktemp("results")
    write_results(night, folder)
    return folder / "result.json"


@pytest.fixture
def stored(written, tmp_path):
    folder = tmp_path / "first-night"
    folder.mkdir()
    shutil.copy(written, folder)
    return folder


def test_a_stored_run_comes_back(night, stored):
    found = load_measured_set(stored)
    assert found.name == "first-night"
    assert found.filters == ("L", "R", "G", "B", "Ha", "OIII")
    assert found.reference == "L"
    assert found.offset_steps == pytest.approx([0.0, 12.3, -1.4, 19.8, 15.2, 85.1])
    assert np.allclose(found.covariance_steps2, night.comparison.covariance_steps2)
    assert list(found.refused) == ["SII"]
    assert found.zone_steps["L"] == pytest.approx(8.31875)
    assert found.um_per_step.value == 4.0
    assert np.isnan(found.um_per_step.sigma)
    assert found.outward == "increasing"
    assert found.half95_steps == pytest.approx(night.comparison.half95_steps)


def test_the_file_itself_may_be_named(stored):
    assert load_measured_set(stored / "result.json").filters == load_measured_set(stored).filters


def test_a_run_that_measured_nothing_is_an_empty_set(nothing_measured, tmp_path):
    write_results(nothing_measured, tmp_path)
    found = load_measured_set(tmp_path)
    assert found.filters == ()
    assert found.covariance_steps2.shape == (0, 0)
    assert found.um_per_step is None


def test_a_missing_result_is_told(tmp_path):
    with pytest.raises(InputError, match=r"there is no .*result\.json; give a folder"):
        load_measured_set(tmp_path)


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", "\x00", '{"schema": 3}'])
def test_a_foreign_file_is_told(tmp_path, text):
    (tmp_path / "result.json").write_text(text)
    with pytest.raises(InputError, match="is not a result of starsize"):
        load_measured_set(tmp_path)


def test_another_document_of_ours_is_told(tmp_path):
    text = json.dumps({"schema": {"name": "starsize-comparison", "version": 1}})
    (tmp_path / "result.json").write_text(text)
    with pytest.raises(InputError, match="starsize-comparison"):
        load_measured_set(tmp_path)


def test_a_newer_schema_is_told(stored):
    change(stored, lambda document: document["schema"].update(version=2))
    with pytest.raises(InputError, match="written by a newer starsize"):
        load_measured_set(stored)


@pytest.mark.parametrize(
    "harm",
    [
        lambda document: document.pop("offsets"),
        lambda document: document["offsets"][1].update(offset_steps=None),
        lambda document: document["offset_covariance"]["matrix_steps2"].pop(),
        lambda document: document.update(focuser=None),
        lambda document: document["offset_covariance"]["filters"].append("X"),
    ],
)
def test_a_damaged_result_is_told(stored, harm):
    change(stored, harm)
    with pytest.raises(InputError, match="is damaged"):
        load_measured_set(stored)


@pytest.mark.parametrize(
    "harm",
    [
        lambda document: document["curves"]["fits"][0].update(filter={}),
        lambda document: document["curves"]["fits"][0].update(shape=[None, 1.0, 1.0]),
        lambda document: document["curves"]["fits"][0]["points"]["stars"].__setitem__(0, 1e20),
        lambda document: document["curves"]["best_focus_covariance"].update(matrix_steps2=[]),
        lambda document: document["frames"][0]["facts"].update(filter=[]),
        lambda document: document["setup"]["camera"].update(pixel_um=float("inf")),
    ],
)
def test_a_damaged_run_is_told_before_it_is_compared(stored, harm):
    change(stored, harm)
    with pytest.raises(InputError, match=r"is (damaged|not a result)"):
        load_result(stored)


def change(folder, harm):
    file = folder / "result.json"
    document = json.loads(file.read_text(encoding="utf-8"))
    harm(document)
    file.write_text(json.dumps(document), encoding="utf-8")
