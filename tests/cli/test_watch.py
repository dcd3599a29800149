"""A night followed while it is captured: what is over, what is said, when it ends."""

import json
import shutil
from pathlib import Path

import pytest

from starsize.cli import main, offsets
from starsize.cli.offsets import frames_of, how_far
from starsize.frames.frame import FrameFacts, Sweep
from starsize.frames.tables import PlannedExposure
from starsize.tracking import tasks

DEMO = Path(__file__).parents[2] / "testdata" / "demo_night"
FRAMES = sorted(DEMO.glob("*.fits.fz"))


def sweep(name, start_s, count=11, interval_s=8.0):
    frames = tuple(
        FrameFacts(
            path=Path(f"{name}_{i}.fits"),
            filter=name[0],
            mid_time_mjd=60000 + (start_s + i * interval_s) / 86400,
        )
        for i in range(count)
    )
    return Sweep(name, name[0], frames)


def planned(*sweeps):
    return [
        PlannedExposure(
            order=10 * k + i, sweep=k, filter=name, position_steps=900 + i, exposure_s=2.0
        )
        for k, (name, count) in enumerate(sweeps, 1)
        for i in range(count)
    ]


@pytest.mark.parametrize(
    ("quiet_s", "over"),
    [(0.0, ["L-1"]), (44.0, ["L-1"]), (46.0, ["L-1", "R-1"])],
)
def test_a_sweep_is_over_when_the_next_begins_or_none_comes_for_long(quiet_s, over):
    standing = how_far([sweep("L-1", 0), sweep("R-1", 100, count=4)], (), quiet_s)
    assert [one.id for one in standing.over] == over
    assert not standing.to_come


def test_slow_exposures_are_waited_for_longer():
    slow = sweep("H-1", 0, interval_s=60.0)
    assert not how_far([slow], (), 200.0).over
    assert how_far([slow], (), 241.0).over


def test_sweeps_taken_in_turns_run_side_by_side():
    # One frame of each filter at each position: the second begins long before the first ends.
    turns = [sweep("L-1", 0, interval_s=20.0), sweep("R-1", 10, interval_s=20.0)]
    assert not how_far(turns, (), 0.0).over


def test_a_plan_says_when_a_sweep_is_full_and_what_is_to_come():
    plan = planned(("L", 11), ("R", 9), ("L", 11))
    standing = how_far([sweep("L-1", 0), sweep("R-1", 100, count=8)], plan, 0.0)
    assert [one.id for one in standing.over] == ["L-1"]
    assert standing.to_come == ("R", "L")
    standing = how_far([sweep("L-1", 0), sweep("R-1", 100, count=9)], plan, 0.0)
    assert [one.id for one in standing.over] == ["L-1", "R-1"]
    assert standing.to_come == ("L",)


def test_a_refused_sweep_is_still_to_come():
    plan = planned(("L", 11), ("R", 9), ("G", 9))
    poor, again = sweep("R-1", 100, count=6), sweep("R-2", 300, count=9)
    refused = {frames_of(poor)}
    standing = how_far([sweep("L-1", 0), poor], plan, 100.0, refused)
    assert standing.to_come == ("R", "G")
    standing = how_far([sweep("L-1", 0), poor, again], plan, 0.0, refused)
    assert [one.id for one in standing.over] == ["L-1", "R-1", "R-2"]
    assert standing.to_come == ("G",)


def captured(monkeypatch, night, batches, end=None):
    """Let the frames of a batch come at each look; then ``end``."""

    def follow(folders, *, skip=()):
        assert folders == [night]
        yield 0.0
        for batch in batches:
            for path in batch:
                shutil.copy(path, night)
            yield 0.0
        if end is not None:
            raise end
        pytest.fail("the plan is in, but it goes on")

    monkeypatch.setattr(offsets, "follow_folders", follow)


@pytest.fixture
def looks(monkeypatch):
    """Count how often a frame's pixels are read."""
    seen = []
    load = tasks._load
    monkeypatch.setattr(tasks, "_load", lambda task: (seen.append(task.facts.path), load(task))[1])
    return seen


def test_each_sweep_has_its_line_and_the_end_of_the_plan_its_table(
    tmp_path, monkeypatch, capsys, looks
):
    night, out, plan = tmp_path / "night", tmp_path / "out", tmp_path / "plan.csv"
    night.mkdir()
    rows = [f"{k + 1},{k // 11 + 1},{'LR'[k // 11]},{12000 + k},2,\n" for k in range(22)]
    plan.write_text("order,sweep,filter,position_steps,exposure_s,note\n" + "".join(rows), "utf-8")
    captured(monkeypatch, night, [FRAMES[:4], FRAMES[4:11], FRAMES[11:14], FRAMES[14:22]])
    call = ["offsets", str(night), "--watch", "--plan", str(plan), "--out", str(out), "--jobs", "1"]
    assert main([*call, "--setup", str(DEMO / "setup.toml")]) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0].startswith("watching")
    assert said[1].startswith("L-1: good, best focus 12008")
    assert said[1].endswith("Still to come: R.")
    assert said[2].startswith("R-1: good")
    assert "Offsets so far: R +" in said[2]
    assert any(line.startswith("written to") for line in said)
    document = json.loads((out / "result.json").read_text("utf-8"))
    assert [len(one["frames"]) for one in document["sweeps"]] == [11, 11]
    # Frames of the first sweep are not measured again for the second.
    assert len([path for path in looks if path.name == FRAMES[0].name]) == 1


def test_a_sweep_that_stops_short_is_to_be_repeated_and_ctrl_c_ends_with_results(
    tmp_path, monkeypatch, capsys
):
    night, out = tmp_path / "night", tmp_path / "out"
    night.mkdir()
    captured(
        monkeypatch, night, [FRAMES[:5], FRAMES[11:14]], end=KeyboardInterrupt
    )  # the wing inside of best focus only
    assert main(["offsets", str(night), "--watch", "--out", str(out), "--jobs", "1"]) == 4
    said = capsys.readouterr().out.splitlines()
    assert said[1].startswith("L-1: REPEAT IT NOW. ")
    assert (out / "report.html").exists()


def test_a_plan_whose_last_sweep_is_poor_ends_when_nobody_repeats_it(tmp_path, monkeypatch, capsys):
    night, out, plan = tmp_path / "night", tmp_path / "out", tmp_path / "plan.csv"
    night.mkdir()
    rows = [f"{k + 1},1,L,{12000 + k},2,\n" for k in range(11)]
    plan.write_text("order,sweep,filter,position_steps,exposure_s,note\n" + "".join(rows), "utf-8")

    def follow(folders, *, skip=()):
        for path in FRAMES[:5]:
            shutil.copy(path, night)
        yield from (0.0, 60.0, 800.0)
        yield 1000.0
        pytest.fail("nobody comes any more, but it goes on")

    monkeypatch.setattr(offsets, "follow_folders", follow)
    call = ["offsets", str(night), "--watch", "--plan", str(plan), "--out", str(out), "--jobs", "1"]
    assert main(call) == 4
    (line,) = [line for line in capsys.readouterr().out.splitlines() if "REPEAT" in line]
    assert line.endswith("Still to come: L.")


def test_ctrl_c_before_the_first_sweep_writes_nothing(tmp_path, monkeypatch, capsys):
    night, out = tmp_path / "night", tmp_path / "out"
    night.mkdir()
    captured(monkeypatch, night, [], end=KeyboardInterrupt)
    assert main(["offsets", str(night), "--watch", "--out", str(out), "--jobs", "1"]) == 130
    assert capsys.readouterr().err == "starsize: stopped; no results were written\n"
    assert not out.exists()


def test_a_plan_without_watching_is_refused(tmp_path, capsys):
    assert main(["offsets", str(tmp_path), "--plan", "plan.csv"]) == 2
    assert "--watch" in capsys.readouterr().err
