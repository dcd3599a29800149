import csv
import json
import shutil
from dataclasses import replace

import pytest

from starsize.errors import OutputError
from starsize.frames.frame import InputFile
from starsize.reports import RESULT_FILES, result_document, write_results
from starsize.reports.writer import result_texts


@pytest.fixture(scope="module")
def written(night, tmp_path_factory):
    """The files of the night, written once."""
    return write_results(night, tmp_path_factory.mktemp("written"))


def test_all_five_files_are_written(written):
    assert {path.name for path in written} == set(RESULT_FILES.names)
    assert all(path.stat().st_size > 100 for path in written)


@pytest.mark.parametrize("name", ["night_without_step_size", "nothing_measured", "colour_camera"])
def test_whatever_a_run_lacks_it_has_all_texts(request, pages, name):
    texts = result_texts(request.getfixturevalue(name))
    assert {*texts, RESULT_FILES.document} == set(RESULT_FILES.names)
    assert texts["report.html"] == pages[name]


def test_the_same_run_gives_the_same_bytes(night, written, tmp_path):
    second = {p.name: p.read_bytes() for p in write_results(night, tmp_path / "two")}
    assert {p.name: p.read_bytes() for p in written} == second


def test_a_second_run_replaces_the_first(written, nothing_measured, tmp_path):
    shutil.copytree(written[0].parent, tmp_path, dirs_exist_ok=True)
    write_results(nothing_measured, tmp_path)
    with (tmp_path / "offsets.csv").open(encoding="utf-8", newline="") as file:
        assert [row["filter"] for row in csv.DictReader(file)] == ["SII"]


def test_the_document_on_disk_is_the_document(night, written):
    stored = json.loads((written[0].parent / "result.json").read_text(encoding="utf-8"))
    del stored["schema"]["files"]
    assert stored == result_document(night)


def test_results_never_go_beside_the_frames(night, tmp_path):
    facts = replace(night.files[0].facts, path=tmp_path / "a.fits")
    run = replace(night, files=(InputFile(facts.path, facts, "unused"),))
    with pytest.raises(OutputError, match="is the folder of the frames"):
        write_results(run, tmp_path, overwrite=True)
    assert list(tmp_path.iterdir()) == []


def test_text_outside_ascii_is_utf8(nothing_measured, tmp_path):
    facts = replace(
        nothing_measured.files[0].facts,
        path=nothing_measured.files[0].path.with_name("Größe_α.fits"),
    )
    files = (InputFile(facts.path, facts, "unused"),)
    for path in write_results(replace(nothing_measured, files=files), tmp_path):
        if path.name != "offsets.csv" and path.name != "curves.csv":
            assert "Größe_α.fits" in path.read_bytes().decode("utf-8")


def test_a_file_name_that_is_no_text_is_written_with_a_mark_in_its_place(
    nothing_measured, tmp_path
):
    # Python reads the bytes of a Latin-1 file name as lone surrogates (PEP 383).
    night = nothing_measured
    odd = InputFile(night.files[0].path.with_name("gr\udcfcn.fits"), reason="cut short")
    write_results(replace(night, files=(*night.files, odd)), tmp_path)
    assert "gr\ufffdn.fits" in (tmp_path / "frames.csv").read_text("utf-8")
    assert json.loads((tmp_path / "result.json").read_text("utf-8"))
