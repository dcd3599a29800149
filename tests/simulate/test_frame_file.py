"""Frames are written whole or not at all, and come back as they went."""

import numpy as np
import pytest
from astropy.io import fits
from numpy.testing import assert_array_equal

from starsize.errors import OutputError
from starsize.frames import read_frame
from starsize.simulate import write_frame

IMAGE = np.random.default_rng(1).integers(0, 65536, (30, 40)).astype(np.uint16)
CARDS = {"FILTER": "L", "FOCUSPOS": (12000, "[steps]"), "OBS FOCUS STAGE": 3, "NOTE": None}


@pytest.mark.parametrize(
    "name", ["a.fits", "a.fits.fz", "a.fits.gz", "Ünïcode und Leerzeichen.fits"]
)
@pytest.mark.parametrize("kind", [np.uint16, np.int16, np.float32])
def test_a_frame_comes_back_as_it_went(tmp_path, name, kind):
    image = IMAGE.astype(kind)
    path = write_frame(tmp_path / name, image, cards=CARDS)
    frame = read_frame(path)
    assert_array_equal(frame.image, image.astype(np.float32))
    assert (frame.facts.filter, frame.facts.position_steps) == ("L", 12000)
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_other_readers_agree(tmp_path):
    for name in ("a.fits", "a.fits.fz"):
        path = write_frame(tmp_path / name, IMAGE, cards=CARDS)
        with fits.open(path) as hdus:
            hdus.verify("exception")
            assert_array_equal(hdus[-1].data, IMAGE)
            assert hdus[-1].header["FOCUSPOS"] == 12000
            assert hdus[-1].header["OBS FOCUS STAGE"] == 3


def test_compression_saves_room(tmp_path):
    smooth = np.random.default_rng(2).poisson(1000, (200, 300)).astype(np.uint16)
    plain = write_frame(tmp_path / "a.fits", smooth).stat().st_size
    packed = write_frame(tmp_path / "b.fits", smooth, compressed=True).stat().st_size
    assert packed < 0.6 * plain


def test_an_existing_file_is_kept_unless_told_otherwise(tmp_path):
    path = write_frame(tmp_path / "a.fits", IMAGE)
    with pytest.raises(OutputError, match=r"a\.fits: exists already"):
        write_frame(path, IMAGE + np.uint16(1))
    assert_array_equal(read_frame(path).image, IMAGE)
    write_frame(path, np.zeros_like(IMAGE), overwrite=True)
    assert read_frame(path).image.max() == 0


def test_a_failure_leaves_nothing_behind(tmp_path, monkeypatch):
    def full_disk(*_args, **_kwargs):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.replace", full_disk)
    with pytest.raises(
        OutputError, match=r"a\.fits: cannot be written \(No space left on device\)"
    ):
        write_frame(tmp_path / "a.fits", IMAGE)
    assert list(tmp_path.iterdir()) == []


def test_a_missing_folder(tmp_path):
    with pytest.raises(OutputError, match=r"a\.fits: cannot be written"):
        write_frame(tmp_path / "no" / "a.fits", IMAGE)


def test_a_cube_is_a_mistake_of_the_caller(tmp_path):
    with pytest.raises(ValueError, match=r"'image' must have shape \(ny, nx\), got \(3, 4, 5\)"):
        write_frame(tmp_path / "a.fits", np.zeros((3, 4, 5)))
