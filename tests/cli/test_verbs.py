"""The other verbs, and the screens of the main one, called as a person would."""

import io
import json
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.table import QTable

from starsize.cli import main
from starsize.cli.shared import print_line, progress_line
from starsize.simulate import SCENARIOS, draw_night, simulate_night, write_frame

TESTDATA = Path(__file__).parents[2] / "testdata"
REAL = TESTDATA / "real" / "ntt_image" / "image.fits"


def test_measure_prints_one_line_a_frame(capsys):
    status = main(["measure", str(REAL), "--jobs", "1"])
    out = capsys.readouterr().out
    assert status == 0
    assert "image.fits" in out
    assert "HFR" in out


def test_measure_as_json_is_a_list_with_a_number_or_null(capsys):
    status = main(["measure", str(REAL), "--jobs", "1", "--json"])
    (frame,) = json.loads(capsys.readouterr().out)
    assert status == 0
    # FLUX_RADIUS 50 % of the unsaturated stars in the catalogue beside the image: 1.21 to 1.49 px.
    # Most of what shines there is a galaxy, which the stated doubt has to hold.
    value, sigma = frame["hfr_px"]["value"], frame["hfr_px"]["sigma"]
    assert 1.1 < value < 1.49 + 2 * sigma < 1.7


def test_measure_writes_the_star_table_with_units_and_not_twice(tmp_path, capsys):
    table = tmp_path / "stars.ecsv"
    assert main(["measure", str(REAL), "--jobs", "1", "--stars", str(table), "--quiet"]) == 0
    stars = QTable.read(table, format="ascii.ecsv")
    assert {"file", "x", "y", "radius", "flags"} <= set(stars.colnames)
    assert stars["radius"].unit == "pix"
    assert capsys.readouterr().out == ""
    assert main(["measure", str(REAL), "--jobs", "1", "--stars", str(table), "--quiet"]) == 2
    assert "stars.ecsv" in capsys.readouterr().err


def test_measure_names_the_file_it_cannot_read_and_measures_the_others(tmp_path, capsys):
    shutil.copy(REAL, tmp_path / "good.fits")
    (tmp_path / "bad.fits").write_text("not an image")
    status = main(["measure", str(tmp_path), "--jobs", "1"])
    printed = capsys.readouterr()
    assert status == 3
    assert "good.fits" in printed.out
    assert "bad.fits" in printed.err


def test_simulate_lists_its_scenarios(capsys):
    assert main(["simulate", "--list"]) == 0
    assert "achromat" in capsys.readouterr().out


def test_simulate_refuses_an_unknown_scenario_in_one_line(tmp_path, capsys):
    status = main(["simulate", "--scenario", "perpetual", "--out", str(tmp_path / "p")])
    err = capsys.readouterr().err
    assert status == 2
    assert "perpetual" in err
    assert len(err.splitlines()) == 1


def test_a_word_too_many_is_answered_by_the_verb_it_was_given_to(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["simulate", "tonight"])
    said = capsys.readouterr().err
    assert ended.value.code == 2
    assert said == (
        "starsize simulate: unrecognized arguments: tonight; see 'starsize simulate --help'\n"
    )


def test_compare_refuses_a_folder_without_results_in_one_line(tmp_path, capsys):
    status = main(["compare", str(tmp_path), str(tmp_path), "--out", str(tmp_path / "c")])
    err = capsys.readouterr().err
    assert status == 2
    assert len(err.splitlines()) == 1
    assert not (tmp_path / "c").exists()


@pytest.mark.parametrize("verb", ["offsets", "measure", "compare", "simulate"])
def test_every_verb_explains_itself(verb, capsys):
    with pytest.raises(SystemExit) as left:
        main([verb, "--help"])
    assert left.value.code == 0
    assert "--" in capsys.readouterr().out


def test_measure_keeps_a_frame_on_one_line_however_narrow_the_terminal(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    assert main(["measure", str(REAL), "--jobs", "1"]) == 0
    assert len(capsys.readouterr().out.splitlines()) == 1


def test_measure_passes_over_the_notes_in_a_folder_but_not_a_note_that_was_named(tmp_path, capsys):
    shutil.copy(REAL, tmp_path / "frame.fits")
    (tmp_path / "notes.txt").write_text("clear sky")
    assert main(["measure", str(tmp_path), "--jobs", "1"]) == 0
    assert capsys.readouterr().err == ""
    assert main(["measure", str(tmp_path / "frame.fits"), str(tmp_path / "notes.txt")]) == 3
    assert "notes.txt" in capsys.readouterr().err


def test_measure_refuses_a_table_that_is_there_before_it_measures(tmp_path, capsys):
    table = tmp_path / "stars.ecsv"
    table.write_text("mine")
    (tmp_path / "no.fits").touch()
    assert main(["measure", str(tmp_path / "no.fits"), "--stars", str(table)]) == 2
    assert "already there" in capsys.readouterr().err
    assert table.read_text() == "mine"


def test_a_folder_name_that_the_terminal_cannot_show_is_no_trouble(tmp_path, monkeypatch):
    screen = io.TextIOWrapper(io.BytesIO(), encoding="cp1252")
    monkeypatch.setattr(sys, "stdout", screen)
    print_line("written to β night")
    screen.flush()
    assert screen.buffer.getvalue().split() == [b"written", b"to", b"?", b"night"]


def test_measure_tells_the_channels_of_a_colour_frame_apart(tmp_path, capsys):
    # One frame of a colour camera drawn by the simulator; its lines and its table must agree.
    scenario = SCENARIOS["good_colour_camera"]
    image, cards, name = next(
        iter(draw_night(simulate_night(scenario.scene, scenario.plan, seed=3)))
    )
    frame = write_frame(tmp_path / f"{name}.fits", image, cards=cards)
    table = tmp_path / "stars.ecsv"
    assert main(["measure", str(frame), "--stars", str(table)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split(":")[0] for line in lines] == [f"{frame.name} {c}" for c in "RGB"]
    assert main(["measure", str(frame), "--json"]) == 0
    documents = json.loads(capsys.readouterr().out)
    stars = QTable.read(table, format="ascii.ecsv")
    assert stars.colnames[-1] == "channel"
    for line, document in zip(lines, documents, strict=True):
        shown = float(line.split("HFR ")[1].split()[0])
        assert shown == pytest.approx(document["hfr_px"]["value"], rel=1e-3)
        good = stars[(stars["flags"] == 0) & (stars["channel"] == document["channel"])]
        assert np.median(good["radius"].value) == pytest.approx(
            document["hfr_px"]["value"], rel=0.02
        )


def test_the_channel_of_a_mono_frame_is_empty_and_stands_last(tmp_path, capsys):
    table = tmp_path / "stars.ecsv"
    assert main(["measure", str(REAL), "--json", "--stars", str(table)]) == 0
    (document,) = json.loads(capsys.readouterr().out)
    assert list(document)[-1] == "channel"
    assert document["channel"] == ""
    stars = QTable.read(table, format="ascii.ecsv")
    assert stars.colnames[-1] == "channel"
    # Empty cells come back as masked ones.
    assert np.ma.getmaskarray(stars["channel"]).all()


def test_work_without_steps_shows_that_it_goes_on(monkeypatch):
    screen = io.StringIO()
    monkeypatch.setattr(screen, "isatty", lambda: True)
    monkeypatch.setattr(sys, "stderr", screen)
    with progress_line("planning", quiet=False, counted=False):
        pass
    assert "planning" in screen.getvalue()


def test_a_folder_name_cannot_steer_the_terminal(capsys):
    print_line("\nwritten to \x1b[2J")
    assert capsys.readouterr().out == "\nwritten to ?[2J\n"
