"""Symbolic links (left out on Windows, where making one needs rights: see conftest)."""

import pytest

from starsize.frames import list_frames
from starsize.frames.walk import find_files


@pytest.fixture
def night(tmp_path):
    for name in ("L/L_10.fits", "L/L_9.fits", "R/R_1.fit"):
        path = tmp_path / "night" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
    return tmp_path / "night"


def test_links_are_followed_but_never_round_in_circles(night):
    (night / "L" / "again").symlink_to(night, target_is_directory=True)
    (night / "copy.fits").symlink_to(night / "R" / "R_1.fit")
    found = find_files([night])
    once = [f.path.name for f in found if f.first_seen is None]
    assert sorted(once) in (
        ["L_10.fits", "L_9.fits", "R_1.fit"],
        ["L_10.fits", "L_9.fits", "copy.fits"],
    )
    assert len(found) == 4


def test_a_linked_folder_is_walked(night, tmp_path):
    (tmp_path / "link").symlink_to(night, target_is_directory=True)
    assert len(find_files([tmp_path / "link"])) == 3


def test_a_link_that_leads_nowhere_has_its_reason(make_fits, tmp_path):
    make_fits("a.fits")
    (tmp_path / "gone.fits").symlink_to(tmp_path / "nowhere")
    assert list_frames([tmp_path])[-1].reason == "no such file"
