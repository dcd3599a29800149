"""The files that paths mean."""

import os
from pathlib import Path

import pytest
from hypothesis import example, given, strategies as st

from starsize.errors import InputError
from starsize.frames.walk import find_files, natural_key


@pytest.fixture
def night(tmp_path):
    for name in ("L/L_10.fits", "L/L_9.fits", "R/R_1.fit", ".hidden/a.fits", "L/._L_9.fits"):
        path = tmp_path / "night" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return tmp_path / "night"


def names(found):
    return [file.path.name for file in found]


def test_folders_are_walked_in_natural_order_without_hidden_entries(night):
    assert names(find_files([night])) == ["L_9.fits", "L_10.fits", "R_1.fit"]


def test_folders_to_skip_are_not_entered(night):
    assert names(find_files([night], skip=[night / "L"])) == ["R_1.fit"]


def test_a_file_reached_twice_points_to_its_first_place(night):
    found = find_files([night / "L" / "L_9.fits", night])
    assert [f.first_seen for f in found] == [None, night / "L" / "L_9.fits", None, None]
    assert [f.named for f in found] == [True, False, False, False]


def test_a_missing_path(tmp_path):
    with pytest.raises(InputError, match=r"nowhere: there is no such file or folder$"):
        find_files([tmp_path / "nowhere"])


def test_an_empty_folder(tmp_path):
    with pytest.raises(InputError, match=r"this folder holds no files$"):
        find_files([tmp_path])


def test_a_folder_without_fits(tmp_path):
    (tmp_path / "notes.txt").touch()
    (tmp_path / "a.jpg").touch()
    with pytest.raises(
        InputError,
        match=r"no FITS or camera raw file in this folder, only 2 other \(such as a\.jpg",
    ):
        find_files([tmp_path])


def test_a_folder_that_may_not_be_read(night):
    (night / "L").chmod(0)
    try:
        if os.access(
            night / "L", os.R_OK
        ):  # the superuser may read everything, and so may all on Windows
            assert len(find_files([night])) == 3
        else:
            with pytest.raises(InputError, match="L: this folder cannot be read"):
                find_files([night])
    finally:
        (night / "L").chmod(0o755)


@given(st.permutations([1, 2, 3, 9, 10, 11, 100, 101]))
def test_numbers_sort_as_numbers(order):
    paths = sorted((Path(f"night/L_{n}.fits") for n in order), key=natural_key)
    assert [p.stem for p in paths] == [f"L_{n}" for n in (1, 2, 3, 9, 10, 11, 100, 101)]


@example([":", ":0"])
@given(
    st.lists(
        st.text(st.characters(exclude_characters="/\x00", codec="utf-8"), min_size=1), max_size=6
    )
)
def test_any_names_can_be_sorted(parts):
    sorted((Path(part) for part in parts), key=natural_key)
