import json
import os
import sys
from pathlib import Path

import pytest

from starsize.errors import OutputError
from starsize.reports.folder import (
    RESULT_FILES,
    FileSet,
    check_writable,
    json_text,
    write_folder,
    write_whole,
)

PAIR = FileSet(("a.csv", "b.csv", "all.json"))


def write(out, a="1\n", b="2\n", *, overwrite=False):
    document = {"schema": PAIR.schema}
    texts = {"a.csv": a, "b.csv": b}
    return write_folder(out, texts, files=PAIR, document=document, overwrite=overwrite)


def contents(out):
    return {path.name: path.read_bytes() for path in sorted(out.iterdir())}


def test_a_folder_is_made_with_its_parents_and_holds_the_files_alone(tmp_path):
    out = tmp_path / "deep" / "out"
    written = write(out)
    assert [path.name for path in written] == ["a.csv", "b.csv", "all.json"]
    assert sorted(contents(out)) == ["a.csv", "all.json", "b.csv"]
    assert (out / "a.csv").read_bytes() == b"1\n"


def test_our_own_files_are_replaced_without_asking(tmp_path):
    write(tmp_path)
    write(tmp_path, a="3\n")
    assert (tmp_path / "a.csv").read_text() == "3\n"


def test_other_files_in_the_folder_are_left_alone(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    write(tmp_path)
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_foreign_file_is_never_touched(tmp_path):
    (tmp_path / "b.csv").write_text("filter,offset\n")
    before = contents(tmp_path)
    with pytest.raises(OutputError, match=r"not written by starsize.*: b\.csv; .*--overwrite"):
        write(tmp_path)
    assert contents(tmp_path) == before


def test_a_table_that_was_edited_since_is_no_longer_ours(tmp_path):
    write(tmp_path)
    (tmp_path / "a.csv").write_text("1\nmy note\n")
    with pytest.raises(OutputError, match=r"a\.csv"):
        write(tmp_path)
    assert "my note" in (tmp_path / "a.csv").read_text()


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"schema": {"name": "other"}}'])
def test_a_json_file_that_is_not_ours_is_never_touched(tmp_path, text):
    (tmp_path / "all.json").write_text(text)
    with pytest.raises(OutputError, match=r"all\.json"):
        write(tmp_path)
    assert (tmp_path / "all.json").read_text() == text


def test_overwrite_replaces_foreign_files(tmp_path):
    (tmp_path / "b.csv").write_text("foreign")
    write(tmp_path, overwrite=True)
    assert (tmp_path / "b.csv").read_text() == "2\n"


def test_out_that_is_a_file_is_refused(tmp_path):
    place = tmp_path / "out"
    place.write_text("")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        write(place)
    with pytest.raises(OutputError, match="is a file, not a folder"):
        write(place / "below")


def test_a_folder_in_the_place_of_a_file_is_refused_even_with_overwrite(tmp_path):
    (tmp_path / "a.csv").mkdir()
    with pytest.raises(OutputError, match="is a folder where a file must go"):
        write(tmp_path, overwrite=True)


def test_a_folder_without_permission_is_refused_before_anything_is_written(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)  # the tests may run as one who may do all
    with pytest.raises(OutputError, match="no permission"):
        write(tmp_path / "out")
    assert contents(tmp_path) == {}


@pytest.mark.parametrize("failing", [1, 2, 3])
def test_a_failure_half_way_puts_back_what_was_there(tmp_path, monkeypatch, failing):
    write(tmp_path)
    before = contents(tmp_path)
    moves = []
    move = Path.replace

    def fail_once(path, target):
        moves.append(target)
        if len(moves) == failing:
            raise PermissionError(13, "Permission denied")
        return move(path, target)

    monkeypatch.setattr(Path, "replace", fail_once)
    with pytest.raises(OutputError, match="permission denied; nothing was changed"):
        write(tmp_path, a="new\n", b="new\n")
    assert contents(tmp_path) == before


@pytest.mark.parametrize("failing", [1, 2, 3])
def test_a_full_disk_leaves_nothing_behind(tmp_path, monkeypatch, failing):
    opened = []
    plain_open = Path.open

    def fail_late(path, mode="r", *args, **kwargs):
        file = plain_open(path, mode, *args, **kwargs)
        if mode == "xb":
            opened.append(path)
            if len(opened) == failing:
                file.close()
                raise OSError(28, "No space left on device")
        return file

    monkeypatch.setattr(Path, "open", fail_late)
    out = tmp_path / "out"
    with pytest.raises(OutputError, match="no space left"):
        write(out)
    leftovers = {path.name for path in out.iterdir()} if out.exists() else set()
    assert leftovers <= {path.name for path in opened[failing - 1 :]}
    assert not any(name in leftovers for name in PAIR.names)


def test_a_file_that_another_program_holds_is_told_before_writing(tmp_path, monkeypatch):
    write(tmp_path)
    before = contents(tmp_path)
    plain_open = Path.open

    def held(path, mode="r", *args, **kwargs):
        if mode == "r+b" and path.name == "b.csv":
            raise PermissionError(13, "Permission denied")
        return plain_open(path, mode, *args, **kwargs)

    monkeypatch.setattr(Path, "open", held)
    with pytest.raises(OutputError, match=r"cannot replace .*b\.csv: permission denied"):
        write(tmp_path, a="new\n", overwrite=True)
    assert contents(tmp_path) == before


def test_checking_touches_nothing(tmp_path):
    check_writable(tmp_path / "not" / "yet")
    assert contents(tmp_path) == {}


def test_checking_finds_foreign_results(tmp_path):
    (tmp_path / "offsets.csv").write_text("")
    with pytest.raises(OutputError, match=r"offsets\.csv"):
        check_writable(tmp_path)
    check_writable(tmp_path, overwrite=True)
    check_writable(tmp_path, files=PAIR)


def test_the_document_lists_the_other_files(tmp_path):
    write(tmp_path)
    listed = json.loads((tmp_path / "all.json").read_text())["schema"]["files"]
    assert sorted(listed) == ["a.csv", "b.csv"]
    assert RESULT_FILES.document in RESULT_FILES.names


def test_the_json_never_holds_nan():
    with pytest.raises(ValueError, match="JSON"):
        json_text({"value": float("nan")})


def test_one_file_is_not_written_over_another(tmp_path):
    path = tmp_path / "stars.ecsv"
    assert write_whole(path, "1") == path
    with pytest.raises(OutputError, match="already there"):
        write_whole(path, "2")
    write_whole(path, "3", overwrite=True)
    assert path.read_text() == "3"


def test_one_file_needs_its_folder(tmp_path):
    with pytest.raises(OutputError, match="there is no folder"):
        write_whole(tmp_path / "missing" / "stars.ecsv", "1")
    with pytest.raises(OutputError, match="is a folder where a file must go"):
        write_whole(tmp_path, "1", overwrite=True)


@pytest.mark.parametrize("name", ["a.csv", "all.json"])
def test_files_can_be_read_as_if_plainly_written(tmp_path, name):
    write(tmp_path)
    plain = tmp_path / "plain"
    plain.write_text("")
    if sys.platform != "win32":
        assert (tmp_path / name).stat().st_mode == plain.stat().st_mode
    assert (tmp_path / name).read_bytes()
