"""What a folder can hold that was never meant to be read: told in one line, at once."""

import gzip
import os
import socket
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from starsize.errors import FrameReadError, SetupError
from starsize.frames import list_frames, load_setup, read_facts_csv, read_frame
from starsize.frames.tables import read_plan
from starsize.frames.values import Card, mjd, number, steps, text

GOOD = {"FILTER": "L", "FOCUSPOS": 5000, "EXPTIME": 2.0, "DATE-OBS": "2026-01-31T22:00:00"}
on_unix = pytest.mark.skipif(sys.platform == "win32", reason="Windows has no such files")


@on_unix
def test_pipes_sockets_and_loops_of_links_are_passed_over(make_fits, tmp_path):
    make_fits("night/good.fits", GOOD)
    night = tmp_path / "night"
    os.mkfifo(night / "pipe.fits")
    os.mkfifo(night / "pipe")
    (night / "loop.fits").symlink_to("loop.fits")
    (night / "nowhere.fits").symlink_to("gone.fits")
    (night / "up").symlink_to("..")
    listener = socket.socket(socket.AF_UNIX)
    here = Path.cwd()
    os.chdir(night)  # names of sockets are short
    listener.bind("s.fits")
    os.chdir(here)
    told = {f.path.name: f.reason for f in list_frames([night])}
    listener.close()
    assert told["good.fits"] is None
    assert told["pipe.fits"] == told["pipe"] == told["s.fits"] == "not an ordinary file"
    assert told["loop.fits"] is not None
    assert told["nowhere.fits"] == "no such file"


@on_unix
@pytest.mark.parametrize("read", [load_setup, read_facts_csv, read_plan])
def test_a_pipe_in_place_of_a_setup_table_or_plan_is_not_waited_for(tmp_path, read):
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(SetupError, match="not an ordinary file"):
        read(tmp_path / "pipe")


@on_unix
def test_names_that_would_steer_a_terminal_are_told_on_one_line(make_fits, tmp_path):
    make_fits("night/a\n\x1b[2J.fits", GOOD).write_bytes(b"nothing")
    make_fits(os.fsdecode(b"night/\xff.fits"), GOOD)
    files = list_frames([tmp_path / "night"])
    assert [f.usable for f in files] == [False, True]
    assert files[0].reason == "not a FITS file, whatever its name says"
    with pytest.raises(FrameReadError) as caught:
        read_frame(files[0].path)
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("card", "value", "told"),
    [
        ("NAXIS1", 10**13, "cut short"),
        ("NAXIS1", -6, "damaged"),
        ("GCOUNT", -1, "damaged"),
        ("NAXIS", 999999999, "damaged"),
    ],
)
def test_a_picture_that_cannot_be_takes_no_memory(make_fits, card, value, told):
    path = make_fits("a.fits", GOOD, np.zeros((40, 60), np.uint16))
    data = path.read_bytes()
    at = data.index(f"{'EXPTIME' if card == 'GCOUNT' else card:8}=".encode())
    path.write_bytes(data[:at] + f"{card:8}= {value:>20}".ljust(80).encode() + data[at + 80 :])
    packed = path.with_suffix(".fits.gz")
    packed.write_bytes(gzip.compress(path.read_bytes()))
    for file in list_frames([path, packed]):
        assert not file.usable
    assert told in list_frames([path])[0].reason


def test_a_packed_picture_larger_than_any_packing_is_refused(make_fits):
    path = make_fits("a.fits.fz", GOOD, np.ones((40, 60), np.int16), compression="RICE_1")
    data = path.read_bytes()
    at = data.index(b"ZNAXIS1 =")
    path.write_bytes(data[:at] + b"ZNAXIS1 =        6000000000000".ljust(80) + data[at + 80 :])
    (file,) = list_frames([path])
    assert "cannot be in a file of" in file.reason


def test_a_header_without_end_is_not_read_to_the_end_of_the_file(tmp_path):
    path = tmp_path / "a.fits.gz"
    path.write_bytes(gzip.compress(b"SIMPLE  =" + bytes(100_000_000), 1))
    start = time.process_time()
    (file,) = list_frames([path])
    assert file.reason == "the file is damaged and cannot be read"
    # Reading on costs seconds, a header of the largest size some hundredths of one.
    assert time.process_time() - start < 1


@pytest.mark.parametrize(
    "date", ["0001-01-01T00:00:00+14:00", "9999-12-31T23:59:60-14:00", "9999-12-31T99:99:99"]
)
def test_dates_beyond_the_calendar_are_not_known(date):
    assert mjd(date) is None


def test_figures_that_no_equipment_has_are_not_known(make_fits):
    cards = {"MJD-OBS": 1e300, "XPIXSZ": 1e300, "FOCALLEN": 1e-300, "XBINNING": 1e9, "EGAIN": -1}
    (file,) = list_frames([make_fits("a.fits", {"FILTER": "L", "FOCUSPOS": 1, **cards})])
    facts = file.facts
    assert (facts.mid_time_mjd, facts.pixel_um, facts.focal_length_mm) == (None, None, None)
    assert (facts.binning, facts.gain_e_per_adu) == (1, None)
    assert steps(Card("FOCUSPOS", 1e12), loose=False) is None
    assert number("9" * 400) is None


def test_a_filter_name_cannot_carry_an_escape_sequence():
    assert text("Ha\x1b[2J\x07") == "Ha?[2J?"


@pytest.mark.parametrize(
    ("content", "told"),
    [
        ("file,filter\na.fits,\x1b[2J\n", "cannot be shown"),
        (f"file,filter\na.fits,{'x' * 200_000}\n", "not a table"),
        (f"{'x' * 100_000}\n", "unknown column 'x{60}'"),
        ("file,position_steps\na.fits,1e300\n", "not a number that can be used"),
        ("file,exposure_s\na.fits,1e300\n", "not a number that can be used"),
        ("file,time\na.fits,9999-12-31T23:59:60-14:00\n", "is not like"),
        (f"file,position_steps\na.fits,{'9' * 5000}\n", "not a number that can be used"),
    ],
)
def test_a_facts_table_wrong_in_any_field_is_one_line(tmp_path, content, told):
    path = tmp_path / "facts.csv"
    path.write_text(content)
    with pytest.raises(SetupError, match=told) as caught:
        read_facts_csv(path)
    assert str(caught.value).isprintable()
