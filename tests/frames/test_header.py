"""Files that are not frames are told in one clear line."""

import os

import numpy as np
import pytest
from astropy.io import fits

from starsize.errors import FrameReadError
from starsize.frames import read_facts


def reason(path):
    with pytest.raises(FrameReadError) as caught:
        read_facts(path)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(f"{path}: ")
    return message.removeprefix(f"{path}: ")


def test_text_with_a_fits_name(tmp_path):
    (tmp_path / "a.fits").write_text("focus notes of last night\n" * 300)
    assert reason(tmp_path / "a.fits") == "not a FITS file, whatever its name says"


def test_text_with_its_own_name(tmp_path):
    (tmp_path / "a.txt").write_text("focus notes")
    assert reason(tmp_path / "a.txt") == "not a FITS file"


def test_an_empty_file(tmp_path):
    (tmp_path / "a.fits").touch()
    assert reason(tmp_path / "a.fits") == "the file is empty (0 bytes)"


def test_a_missing_file(tmp_path):
    assert reason(tmp_path / "a.fits") == "no such file"


def test_a_file_that_may_not_be_read(make_fits):
    path = make_fits()
    path.chmod(0)
    if os.access(path, os.R_OK):  # the superuser may read everything, and so may all on Windows
        assert read_facts(path).shape == (4, 6)
    else:
        assert reason(path) == "no permission to read the file"


@pytest.mark.parametrize("kept", [3000, 5000])
@pytest.mark.parametrize("compression", [None, "RICE_1"])
def test_a_file_cut_short(make_fits, kept, compression):
    image = np.arange(60000, dtype=np.uint16).reshape(200, 300)
    path = make_fits(image=image, compression=compression)
    path.write_bytes(path.read_bytes()[:-kept])
    assert reason(path).startswith("the file is cut short")


def test_a_last_block_that_is_not_filled_up_is_no_loss(make_fits):
    image = np.ones((30, 50), np.uint16)
    path = make_fits(image=image)
    path.write_bytes(path.read_bytes()[: 2880 + image.nbytes])
    assert read_facts(path).shape == (30, 50)


def test_a_header_alone(tmp_path):
    fits.PrimaryHDU().writeto(tmp_path / "a.fits")
    assert reason(tmp_path / "a.fits") == "the file holds no image"


def test_a_table(tmp_path):
    columns = [fits.Column("x", "E", array=np.zeros(3))]
    fits.HDUList([fits.PrimaryHDU(), fits.BinTableHDU.from_columns(columns)]).writeto(
        tmp_path / "a.fits"
    )
    assert reason(tmp_path / "a.fits") == "the file holds no image"


def test_a_spectrum(make_fits):
    assert reason(make_fits(image=np.zeros(100, np.float32))) == "the file holds no image"


@pytest.mark.parametrize(
    ("planes", "told"), [(3, "a finished colour picture of 3 planes"), (5, "a cube of 5 planes")]
)
def test_a_cube(make_fits, planes, told):
    assert reason(make_fits(image=np.zeros((planes, 4, 6), np.float32))).startswith(told)


def test_the_header_cut_in_the_middle(make_fits):
    path = make_fits()
    path.write_bytes(path.read_bytes()[:1000])
    assert reason(path).startswith("the file is cut short (1000 bytes")
