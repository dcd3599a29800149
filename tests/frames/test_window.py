"""Windows of frames: the same pixels as when the whole frame is read."""

import numpy as np
import pytest
from astropy.io import fits

from starsize.errors import FrameReadError
from starsize.frames import read_facts, read_frame
from starsize.frames.pixels import read_window

ROWS, COLUMNS = slice(20, 41), slice(7, 30)


def written(path, kind):
    counts = np.random.default_rng(3).integers(0, 65535, (60, 90)).astype(np.uint16)
    header = fits.Header({"FILTER": "L", "FOCUSPOS": 900})
    if kind == "compressed":
        image = fits.CompImageHDU(counts, header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), image]).writeto(path)
    elif kind == "a plane of its own":
        fits.PrimaryHDU(counts[None], header).writeto(path)
    elif kind == "floating":
        image = counts.astype(np.float32)
        image[25, 10] = np.nan
        fits.PrimaryHDU(image, header).writeto(path)
    else:
        fits.PrimaryHDU(counts, header).writeto(path)
    return path


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("a.fits", "plain"), ("a.fits.fz", "compressed"), ("a.fits.gz", "gzip"),
        ("a.fits", "floating"), ("a.fits", "a plane of its own"),
    ],
)  # fmt: skip
def test_a_window_is_what_the_whole_frame_has_there(tmp_path, name, kind):
    facts = read_facts(written(tmp_path / name, kind))
    window = read_window(facts, ROWS, COLUMNS)
    assert window.dtype == np.float32
    np.testing.assert_array_equal(window, read_frame(facts).image[ROWS, COLUMNS])


def test_a_file_that_was_replaced_is_not_taken_for_the_frame(tmp_path):
    path = written(tmp_path / "a.fits", "plain")
    facts = read_facts(path)
    fits.PrimaryHDU(np.zeros((50, 90), np.uint16)).writeto(path, overwrite=True)
    with pytest.raises(FrameReadError, match="has changed"):
        read_window(facts, ROWS, COLUMNS)


def test_a_file_cut_short_is_one_line(tmp_path):
    path = written(tmp_path / "a.fits", "plain")
    facts = read_facts(path)
    path.write_bytes(path.read_bytes()[:4000])
    with pytest.raises(FrameReadError, match=r"a\.fits: "):
        read_window(facts, ROWS, COLUMNS)
