"""Camera raw files: an invented one is written as DNG (Adobe DNG specification 1.4, CFA image)."""

import sys

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from starsize.errors import FrameReadError
from starsize.frames import find_sweeps, list_frames, read_facts, read_frame, read_pixels
from starsize.frames.header import is_raw

pytest.importorskip("rawpy")
tifffile = pytest.importorskip("tifffile")


def write_raw(path, image, *, pattern=(1, 0, 2, 1)):
    """A mosaic of GRBG (colours 0 red, 1 green, 2 blue) with a ceiling of 16383."""
    unit = sum(((10000 * v, 10000) for v in (1, 0, 0, 0, 1, 0, 0, 0, 1)), ())
    tags = [
        (50706, "B", 4, (1, 4, 0, 0), False),
        (50708, "s", 0, "Invented camera", False),
        (33421, "H", 2, (2, 2), False),
        (33422, "B", 4, pattern, False),
        (50717, "I", 1, 16383, False),
        (50721, "2i", 9, unit, False),
        (50778, "H", 1, 21, False),
        (33434, "2I", 1, (5, 2), False),
        (306, "s", 0, "2026:01:31 22:15:00", True),
    ]
    tifffile.imwrite(path, image, photometric=32803, planarconfig=1, extratags=tags, metadata=None)
    return path


@pytest.fixture
def image():
    return np.random.default_rng(1).integers(100, 4000, (200, 300)).astype(np.uint16)


def test_facts_and_pixels_are_those_of_the_sensor(tmp_path, image):
    facts = read_facts(write_raw(tmp_path / "star.DNG", image))
    assert (facts.shape, facts.bayer, facts.saturation_adu) == ((200, 300), "GRBG", 16383)
    assert facts.exposure_s == 2.5
    # MJD of 2026-01-31T22:15:00 is 61071 and 22.25 hours (astropy.time.Time), half the exposure on.
    assert facts.mid_time_mjd == pytest.approx(61071 + 22.25 / 24 + 1.25 / 86400)
    assert_array_equal(read_frame(facts).image, image)
    pixels, mask = read_pixels(facts, dtype=None)
    assert pixels.dtype == np.uint16
    assert mask is None


def test_positions_come_from_the_facts_table(tmp_path, image):
    names = [f"star_{k}.dng" for k in range(7)]
    for name in names:
        write_raw(tmp_path / name, image + np.uint16(names.index(name)))
    table = tmp_path / "facts.csv"
    rows = "".join(f"{name},{1000 + 20 * k}\n" for k, name in enumerate(names))
    table.write_text("file,position_steps\n" + rows, "utf-8")
    files = list_frames([tmp_path], facts_csv=table)
    assert {f.reason for f in files if is_raw(f.path)} == {None}
    (sweep,), _ = find_sweeps(files)
    assert [f.position_steps for f in sweep.frames] == [1000 + 20 * k for k in range(7)]


@pytest.mark.parametrize("keep", [0, 5, 60000])
def test_a_damaged_raw_file_is_one_line(tmp_path, image, keep):
    path = write_raw(tmp_path / "star.dng", image)
    path.write_bytes(path.read_bytes()[:keep])
    (file,) = list_frames([path])
    assert file.reason.startswith("the raw file is damaged")


def test_a_raw_file_that_is_not_there_is_one_line(tmp_path):
    with pytest.raises(FrameReadError, match=r"gone\.dng: no such file"):
        read_facts(tmp_path / "gone.dng")


def test_without_the_package_the_line_says_what_to_install(tmp_path, image, monkeypatch):
    path = write_raw(tmp_path / "star.dng", image)
    monkeypatch.setitem(sys.modules, "rawpy", None)
    (file,) = list_frames([path])
    assert "pip install 'starsize[raw]'" in file.reason
