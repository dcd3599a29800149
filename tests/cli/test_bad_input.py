"""What a person can get wrong: one clear line, the right exit status, nothing written half-way."""

import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from starsize.cli import main

TESTDATA = Path(__file__).parents[2] / "testdata"
DEMO = TESTDATA / "demo_night"


@pytest.fixture
def call(tmp_path, capsys):
    """Run a verb in this process; hand back status, stdout, stderr and the output folder."""

    def run(*arguments, out="out"):
        folder = tmp_path / out
        status = main([*map(str, arguments), "--out", str(folder), "--jobs", "1"])
        printed = capsys.readouterr()
        assert "Traceback" not in printed.out + printed.err
        return status, printed.out, printed.err, folder

    return run


def write(folder: Path, name: str, **cards) -> Path:
    folder.mkdir(exist_ok=True)
    rng = np.random.default_rng(1)
    hdu = fits.PrimaryHDU(rng.normal(500, 10, (64, 64)).astype(np.uint16))
    hdu.header.update(cards)
    hdu.writeto(folder / name)
    return folder


def empty_folder(tmp_path):
    (tmp_path / "night").mkdir()
    return tmp_path / "night"


def folder_without_fits(tmp_path):
    folder = empty_folder(tmp_path)
    (folder / "notes.txt").write_text("clouds at ten")
    return folder


def missing_folder(tmp_path):
    return tmp_path / "night"


def file_that_is_not_fits(tmp_path):
    path = empty_folder(tmp_path) / "frame.fits"
    path.write_text("not an image")
    return path


def frames_without_position(tmp_path):
    return write(tmp_path / "night", "a.fits", FILTER="L")


def damaged_frame(tmp_path):
    folder = write(tmp_path / "night", "a.fits", FILTER="L", FOCUSPOS=100)
    data = (folder / "a.fits").read_bytes()
    (folder / "a.fits").write_bytes(data[:1000])
    return folder


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (empty_folder, "night"),
        (folder_without_fits, "FITS"),
        (missing_folder, "night"),
        (file_that_is_not_fits, "FITS"),
        (frames_without_position, "position"),
        (damaged_frame, "used"),
    ],
)
def test_input_with_nothing_to_measure_is_one_clear_line_and_status_2(call, tmp_path, make, says):
    status, out, err, folder = call("offsets", make(tmp_path))
    assert status == 2
    assert says in err
    assert err.startswith("starsize: ")
    assert len(err.splitlines()) == 1
    assert out == ""
    assert not folder.exists()


def demo_frames(tmp_path, pattern):
    folder = tmp_path / "night"
    folder.mkdir()
    for path in sorted(DEMO.glob(pattern)):
        shutil.copy(path, folder)
    assert any(folder.iterdir())
    return folder


def test_frames_without_stars_are_refused_with_a_reason(call, tmp_path):
    for position in range(100, 1000, 100):
        write(tmp_path / "night", f"{position}.fits", FILTER="L", FOCUSPOS=position)
    status, out, _, folder = call("offsets", tmp_path / "night")
    assert status == 4
    assert "refused" in (folder / "offsets.csv").read_text()
    assert "L" in out


@pytest.mark.parametrize("option", ["--dark", "--flat", "--bias", "--setup", "--facts"])
def test_a_named_file_that_is_missing_is_named_in_the_line(call, tmp_path, option):
    night = write(tmp_path / "night", "a.fits", FILTER="L", FOCUSPOS=100)
    status, _, err, folder = call("offsets", night, option, tmp_path / "absent.file")
    assert status == 2
    assert "absent.file" in err
    assert not folder.exists()


def test_an_output_place_that_is_a_file_is_said_before_anything_is_measured(call, tmp_path):
    night = write(tmp_path / "night", "a.fits", FILTER="L", FOCUSPOS=100)
    (tmp_path / "out").write_text("mine")
    status, _, err, folder = call("offsets", night)
    assert status == 2
    assert "out" in err
    assert folder.read_text() == "mine"


def test_a_wrong_call_is_one_line_and_status_2(capsys):
    with pytest.raises(SystemExit) as left:
        main(["offsets"])
    assert left.value.code == 2
    err = capsys.readouterr().err
    assert "FRAMES" in err
    assert len(err.splitlines()) == 1


@pytest.mark.parametrize("name", ["evening_0007.fits.fz", "renamed.fits.fz"])
def test_results_of_an_earlier_run_never_go_beside_its_frames(call, demo, tmp_path, name):
    (tmp_path / "elsewhere").mkdir()
    shutil.copy(DEMO / "evening_0007.fits.fz", tmp_path / "elsewhere" / name)
    status, _, err, out = call("offsets", demo[1], out="elsewhere")
    assert status == 2
    assert len(err.splitlines()) == 1
    assert "holds frames of these results; give another folder" in err
    assert [path.name for path in out.iterdir()] == [name]


@pytest.mark.parametrize("given", ["night", "night/sub/a.fits"])
def test_results_never_go_beside_the_frames_be_they_given_one_by_one(call, tmp_path, given):
    write(tmp_path / "night", "b.fits", FILTER="L", FOCUSPOS=100)
    write(tmp_path / "night" / "sub", "a.fits", FILTER="L", FOCUSPOS=100)
    status, _, err, out = call("offsets", tmp_path / given, out="night/sub")
    assert status == 2
    assert "is the folder of the frames; give another folder" in err
    assert [path.name for path in out.iterdir()] == ["a.fits"]
