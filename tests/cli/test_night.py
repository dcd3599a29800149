"""``starsize night`` on drawn frames, and followed while they come in."""

import csv
import json
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest

from starsize import night_run
from starsize.cli import main
from starsize.simulate import LENSES, write_frame
from starsize.simulate.long_night import LongNightPlan
from starsize.simulate.long_night_frames import write_long_night

PLAN = LongNightPlan(
    frames=8, order=("L",), block=8, exposure_s=30.0, slip_frame=5, slip_zones=4.0, start_zones=0.1
)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Eight small exposures of an invented refractor, the last three after a slip."""
    folder = tmp_path_factory.mktemp("night") / "frames"
    scene = LENSES["triplet_f5.5"]
    scene = replace(
        scene,
        sensor=replace(scene.sensor, shape=(300, 400)),
        stars=replace(scene.stars, count=60, faintest_e_per_s=60.0),
    )
    write_long_night(folder, scene, PLAN, seed=2)
    return folder


@pytest.fixture(scope="module")
def setup(night):
    path = night.parent / "setup.toml"
    path.write_text("[focuser]\num_per_step = 2.6\n", "utf-8")
    return path


def rows_of(out):
    with (out / "night.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_a_night_of_frames_is_judged_and_a_slip_is_called(night, setup, tmp_path, capsys):
    out = tmp_path / "out"
    status = main(
        ["night", str(night), "--setup", str(setup), "--out", str(out), "--jobs", "1", "--json"]
    )
    document = json.loads(capsys.readouterr().out)
    rows = rows_of(out)
    assert status == 0
    assert [row["state"] for row in rows[5:]] == ["lost"] * 3
    assert "lost" not in {row["state"] for row in rows[:5]}
    assert {row["cause"] for row in rows[5:]} == {"focus: slip"}
    assert document["frames"][7]["state"] == "lost"
    assert (out / "night.html").is_file()


def test_a_second_run_measures_nothing_again(night, setup, tmp_path, monkeypatch, capsys):
    out = tmp_path / "out"
    call = ["night", str(night), "--setup", str(setup), "--out", str(out), "--jobs", "1"]
    assert main(call) == 0

    def fail(task):
        raise AssertionError(task)

    monkeypatch.setattr("starsize.tracking.tasks.measure_task", fail)
    assert main([*call, "--quiet"]) == 0
    assert "Focus was lost" in capsys.readouterr().out


def test_what_was_measured_of_frames_that_are_gone_is_forgotten(night, setup, tmp_path):
    frames, out = tmp_path / "frames", tmp_path / "out"
    shutil.copytree(night, frames)
    call = ["night", str(frames), "--setup", str(setup), "--out", str(out), "--quiet"]

    def kept():
        main([*call, "--jobs", "1"])
        with closing(sqlite3.connect(out / "measured.sqlite")) as file:
            return file.execute("SELECT count(*) FROM kept").fetchone()[0]

    before = kept()
    sorted(frames.glob("*.fits"))[0].unlink()
    assert kept() == before - 1


@pytest.mark.parametrize("growth", ["0", "-3", "ten", "500"])
def test_a_growth_that_makes_no_sense_is_one_line(growth, night, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["night", str(night), f"--growth={growth}"])
    assert stopped.value.code == 2
    assert "per cent" in capsys.readouterr().err


def test_a_result_folder_that_is_none_is_one_line(night, tmp_path, capsys):
    out = tmp_path / "out"
    assert main(["night", str(night), "--offsets", str(tmp_path), "--out", str(out)]) == 2
    assert "result.json" in capsys.readouterr().err
    assert not (out / "night.csv").exists()


def test_frames_without_position_filter_or_stars_are_still_judged(tmp_path, capsys):
    folder = tmp_path / "frames"
    folder.mkdir()
    rng = np.random.default_rng(1)
    for number in range(2):
        image = rng.normal(500, 5, (100, 120)).astype(np.uint16)
        write_frame(folder / f"{number}.fits", image, cards={"EXPTIME": 10.0})
    status = main(["night", str(folder), "--out", str(tmp_path / "out"), "--jobs", "1"])
    assert status == 4
    assert "No exposure of this night can be measured" in capsys.readouterr().out
    assert {row["cause"] for row in rows_of(tmp_path / "out")} == {"cloud"}


@pytest.fixture
def watched(night, setup, tmp_path, monkeypatch, capsys):
    """Watch a folder into which frames come in turns, each turn names and frames; what was said,
    the frames that were measured, the rows written."""

    def watch(*turns):
        live, out = tmp_path / "live", tmp_path / "out"
        live.mkdir()

        def coming(folders, **_):
            yield 0.0  # nothing yet
            for turn in turns:
                for name, path in turn.items():
                    (live / name).write_bytes(path.read_bytes())
                yield 0.0
                yield 5.0
            raise KeyboardInterrupt

        asked = []
        measure = night_run.measure_files

        def counted(facts, **options):
            asked.extend(one.path.name for one in facts)
            return measure(facts, **options)

        monkeypatch.setattr(night_run, "follow_folders", coming)
        monkeypatch.setattr(night_run, "measure_files", counted)
        call = ["night", str(live), "--watch", "--setup", str(setup), "--out", str(out)]
        assert main([*call, "--jobs", "1"]) == 0
        return capsys.readouterr().out, asked, rows_of(out)

    return watch


def test_watching_measures_each_frame_once_and_stops_cleanly(night, watched):
    frames = {path.name: path for path in sorted(night.glob("*.fits"))}
    names = list(frames)
    turns = [{name: frames[name] for name in part} for part in (names[:2], names[2:4], names[4:])]
    said, asked, rows = watched(*turns)
    assert sorted(asked) == names
    assert len(rows) == len(frames)
    assert rows[-1]["state"] == "lost"
    assert "(L): lost, focus: slip" in said
    assert "stopped. Focus was lost" in said


def test_a_frame_that_is_written_anew_under_its_name_is_judged_again(night, watched):
    frames = sorted(night.glob("*.fits"))
    kept = {path.name: path for path in frames[:2]}
    names = ("x.fits", "y.fits", "z.fits")
    # Three frames of before the slip, written once more from after it.
    before, after = (dict(zip(names, part, strict=True)) for part in (frames[2:5], frames[5:]))
    said, asked, rows = watched(kept | before, after)
    assert asked == [*kept, *names, *names]
    assert [row["state"] == "lost" for row in rows[-2:]] == [True, True]
    assert ".fits (L): lost, focus: slip" in said


def test_watching_a_file_is_refused(night, capsys):
    file = next(night.glob("*.fits"))
    assert main(["night", str(file), "--watch"]) == 2
    assert "follows folders" in capsys.readouterr().err
