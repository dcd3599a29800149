"""A messy folder: one row for each file, each with its facts or its reason."""

import numpy as np
import pytest

from starsize.errors import InputError, SetupError
from starsize.frames import list_frames
from starsize.setup import HeaderNames, Setup

GOOD = {"FILTER": "L", "FOCUSPOS": 5000, "EXPTIME": 2.0, "DATE-OBS": "2026-01-31T22:00:00"}


def reasons(files):
    return {file.path.name: file.reason for file in files}


def test_a_file_that_has_changed_is_read_anew(make_fits, tmp_path):
    make_fits("night/one.fits", GOOD)
    assert list_frames([tmp_path / "night"])[0].facts.filter == "L"
    (tmp_path / "night" / "one.fits").unlink()
    make_fits("night/one.fits", {**GOOD, "FILTER": "Ha"})
    assert list_frames([tmp_path / "night"])[0].facts.filter == "Ha"


def test_a_messy_folder_loses_nothing(make_fits, tmp_path):
    make_fits("night/good.fits", GOOD)
    make_fits("night/Ünïcode und Leerzeichen.fit", {**GOOD, "FOCUSPOS": 5100})
    make_fits("night/dark.fits", {**GOOD, "IMAGETYP": "Dark Frame"})
    make_fits("night/flat.fits", {**GOOD, "IMAGETYP": "FLAT"})
    make_fits("night/bias.fits", {**GOOD, "EXPTIME": 0.0})
    make_fits("night/no position.fits", {"FILTER": "L"})
    make_fits("night/word.fits", {"FILTER": "L", "TELFOCUS": "UNKNOWN"})
    make_fits("night/metres.fits", {"FILTER": "L", "TELFOCUS": (0.0143, "(metres)")})
    make_fits("night/no filter.fits", {"FOCUSPOS": 5000})
    make_fits("night/colour.fits", {"FOCUSPOS": 5000, "BAYERPAT": "RGGB"})
    make_fits("night/cube.fits", GOOD, np.zeros((3, 4, 6), np.uint16))
    night = tmp_path / "night"
    (night / "broken.fits").write_bytes(b"SIMPLE  =                    T")
    (night / "notes.txt").write_text("clear sky")
    (night / "frame.bak").write_bytes((night / "good.fits").read_bytes())
    told = reasons(list_frames([night]))
    assert len(told) == len(list(night.iterdir()))
    used = {name for name, reason in told.items() if reason is None}
    assert used == {"good.fits", "Ünïcode und Leerzeichen.fit", "colour.fits"}
    assert told["dark.fits"] == "a dark frame, not an exposure of the sky"
    assert told["flat.fits"] == "a flat field, not an exposure of the sky"
    assert told["bias.fits"] == "a bias frame, not an exposure of the sky"
    assert told["no position.fits"].startswith(
        "no focuser position in the header; name the keyword"
    )
    assert told["word.fits"].startswith("no focuser position: TELFOCUS is 'UNKNOWN'; name")
    assert told["metres.fits"].startswith("no focuser position in steps: TELFOCUS is a length")
    assert told["no filter.fits"].startswith("no filter name in the header; name the keyword")
    assert told["cube.fits"].startswith("a finished colour picture of 3 planes")
    assert told["broken.fits"] == "the file is damaged and cannot be read"
    assert told["notes.txt"] == "not a FITS file (by its name)"
    assert "it is a FITS file inside" in told["frame.bak"]


def test_a_file_named_by_the_person_is_read_whatever_its_ending(make_fits):
    (file,) = list_frames([make_fits("frame.bak", GOOD)])
    assert file.usable


def test_one_path_need_not_be_in_a_list(make_fits):
    assert len(list_frames(str(make_fits("a.fits", GOOD)))) == 1


def test_a_file_given_twice_counts_once(make_fits, tmp_path):
    path = make_fits("a.fits", GOOD)
    first, second = list_frames([tmp_path, path])
    assert first.usable
    assert second.reason == f"the same file as {first.path}, counted once"


def test_a_copy_counts_once_but_equal_facts_with_other_pixels_do_not(make_fits):
    first = make_fits("a.fits", GOOD)
    copy = first.with_name("b.fits")
    copy.write_bytes(first.read_bytes())
    other = make_fits("c.fits", GOOD, np.ones((4, 6), np.uint16))
    told = reasons(list_frames([first, copy, other]))
    assert told == {
        "a.fits": None,
        "b.fits": f"the same exposure as {first}, counted once",
        "c.fits": None,
    }


def test_a_frame_and_its_compressed_copy_count_once(make_fits):
    first = make_fits("night/a.fits", GOOD)
    packed = make_fits("night/a.fits.fz", GOOD, compression="RICE_1")
    elsewhere = make_fits("packed/a.fits.gz", GOOD)
    files = list_frames([first, packed, elsewhere])
    assert [f.usable for f in files] == [True, False, False]
    assert files[1].reason == f"the same exposure as {first}, counted once"


def test_copies_of_what_is_not_used_keep_their_own_reason(make_fits):
    paths = [make_fits(f"{n}/a.fits", {**GOOD, "IMAGETYP": "Dark"}) for n in "ab"]
    assert {f.reason for f in list_frames(paths)} == {"a dark frame, not an exposure of the sky"}


def test_equal_names_of_two_nights_without_times_are_two_frames(make_fits):
    cards = {k: v for k, v in GOOD.items() if k != "DATE-OBS"}
    paths = [make_fits(f"night {i}/a.fits", cards, np.full((4, 6), i, np.uint16)) for i in (1, 2)]
    assert all(f.usable for f in list_frames(paths))


def sweep(make_fits, positions, **cards):
    return [
        make_fits(f"f{i}.fits", {**GOOD, "DATE-OBS": f"2026-01-31T22:00:{i:02}", **cards, **own})
        for i, own in enumerate(positions)
    ]


@pytest.mark.parametrize("placeholder", [0, -1])
def test_a_lone_zero_far_from_all_others_is_not_a_position(make_fits, placeholder):
    positions = [{"FOCUSPOS": p} for p in (10000, 11000, 12000, placeholder)]
    files = list_frames(sweep(make_fits, positions))
    assert [f.usable for f in files] == [True, True, True, False]
    assert "stands far from all others" in files[-1].reason


def test_an_absurd_position_is_left_out_and_its_neighbours_stay(make_fits):
    positions = (99999, 10000, 10100, 10200, 10300, -50000)
    files = list_frames(sweep(make_fits, [{"FOCUSPOS": p} for p in positions]))
    assert [f.usable for f in files] == [False, True, True, True, True, False]
    assert files[0].reason.startswith("focuser position 99999 stands far from all others")


def test_an_absurd_position_of_one_filter_does_not_hide_among_those_of_another(make_fits):
    near, far = range(1000, 1500, 100), range(9000, 9500, 100)
    cards = [{"FOCUSPOS": p} for p in near] + [{"FOCUSPOS": p, "FILTER": "Ha"} for p in far]
    files = list_frames(sweep(make_fits, [*cards, {"FOCUSPOS": 9250}]))
    assert [f.usable for f in files] == [True] * 10 + [False]


@pytest.mark.parametrize("positions", [(0, 100, 300, 700, 1500), (0, 10, 20, 9000, 9010, 9020)])
def test_wide_and_uneven_sweeps_are_kept_whole(make_fits, positions):
    files = list_frames(sweep(make_fits, [{"FOCUSPOS": p} for p in positions]))
    assert all(f.usable for f in files)


def test_a_keyword_that_looks_like_a_position_is_named(make_fits):
    cards = {"FILTER": "L", "STEPPOS": 12040, "FOCALLEN": 480, "FOCTEMP": 4}
    (file,) = list_frames([make_fits("a.fits", cards)])
    assert 'STEPPOS = 12040 looks like one: if so, state position = "STEPPOS"' in file.reason


@pytest.mark.parametrize(
    ("written", "names"),
    [(("g", "r", "i"), {"g", "r", "i"}), (("g", "r", "b"), {"G", "R", "B"})],
)
def test_lower_case_letters_are_survey_bands_in_the_company_of_such(make_fits, written, names):
    cards = [{"FOCUSPOS": 10000 + i, "FILTER": name} for i, name in enumerate(written)]
    assert {f.facts.filter for f in list_frames(sweep(make_fits, cards))} == names


@pytest.mark.parametrize("positions", [(0, 1000, 2000, 3000), (-2, -1, 0, 1, 2), (0, 0, 0)])
def test_zero_and_small_negatives_within_the_run_are_positions(make_fits, positions):
    files = list_frames(sweep(make_fits, [{"FOCUSPOS": p} for p in positions]))
    assert all(f.usable for f in files)
    assert [f.facts.position_steps for f in files] == list(positions)


def test_a_keyword_that_holds_fractions_is_a_length_in_every_file(make_fits):
    # Millimetres, one of which happens to be whole.
    positions = [{"TELFOCUS": p} for p in (26.5, 27.0, 27.5)]
    cards = {k: v for k, v in GOOD.items() if k != "FOCUSPOS"}
    paths = [make_fits(f"m{i}.fits", {**cards, **own}) for i, own in enumerate(positions)]
    assert not any(f.usable for f in list_frames(paths))
    named = Setup(headers=HeaderNames(position="TELFOCUS"))
    files = list_frames(paths, setup=named)
    assert [f.facts.position_steps for f in files] == [26.5, 27.0, 27.5]


def test_a_focuser_temperature_of_exactly_zero_throughout_is_a_missing_probe(make_fits):
    positions = [{"FOCUSPOS": p} for p in (1, 2, 3)]
    files = list_frames(sweep(make_fits, positions, FOCTEMP=0.0, AMBTEMP=7.5))
    assert {(f.facts.temperature_degC, f.facts.temperature_of) for f in files} == {(7.5, "ambient")}


def test_a_focuser_temperature_that_passes_through_zero_is_believed(make_fits):
    positions = [{"FOCUSPOS": p, "FOCTEMP": t} for p, t in ((1, 0.1), (2, 0.0), (3, -0.1))]
    files = list_frames(sweep(make_fits, positions, AMBTEMP=7.5))
    assert [f.facts.temperature_degC for f in files] == [0.1, 0.0, -0.1]


def test_a_keyword_that_no_frame_has_is_a_slip_of_the_pen(make_fits):
    setup = Setup(headers=HeaderNames(position="FOCUSPSO"))
    with pytest.raises(
        SetupError, match=r"\[headers\] position: no frame has the keyword FOCUSPSO"
    ):
        list_frames([make_fits("a.fits", GOOD)], setup=setup)


def test_a_keyword_that_some_frames_have_is_in_order(make_fits):
    paths = [make_fits("a.fits", {**GOOD, "MYPOS": 7}), make_fits("b.fits", GOOD)]
    files = list_frames(paths, setup=Setup(headers=HeaderNames(position="MYPOS")))
    assert [f.facts.position_steps for f in files] == [7, 5000]


@pytest.mark.parametrize("paths", [["nowhere"], ["nowhere", "else"]])
def test_a_missing_path_is_one_clear_line(tmp_path, paths):
    with pytest.raises(InputError, match="nowhere: there is no such file or folder"):
        list_frames([tmp_path / p for p in paths])


def test_two_hundred_files_are_listed_without_touching_their_pixels(make_fits, tmp_path):
    # Sparse files of 52 megabytes: reading the pixels would show in the time, a hundredfold.
    path = make_fits("night/f_0.fits", GOOD, np.zeros((2, 3), np.uint16))
    header = path.read_bytes()[:2880]
    header = header.replace(b"NAXIS1  =                    3", b"NAXIS1  =                 6248")
    header = header.replace(b"NAXIS2  =                    2", b"NAXIS2  =                 4176")
    for i in range(200):
        with path.with_name(f"f_{i}.fits").open("wb") as file:
            file.write(header.replace(b"5000", f"{5000 + i}".encode()))
            file.truncate(2880 + 6248 * 4176 * 2)
    files = list_frames([tmp_path / "night"])
    assert [f.facts.position_steps for f in files] == [5000 + i for i in range(200)]
    assert {f.facts.shape for f in files} == {(4176, 6248)}
