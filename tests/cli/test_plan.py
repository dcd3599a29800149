"""``starsize plan`` and ``starsize simulate --plan``, called as a person would."""

import json
from pathlib import Path

import pytest

from starsize.cli import main
from starsize.frames.tables import SWEEP_OVERHEAD_S
from starsize.pipeline import load_result

DEMO = Path(__file__).parents[2] / "testdata" / "demo_night"
THREE = """
[telescope]
focal_length_mm = 480
aperture_mm = 87
[focuser]
um_per_step = 4.0
"""


@pytest.fixture
def setup(tmp_path):
    path = tmp_path / "setup.toml"
    path.write_text(THREE)
    return path


def call(*arguments):
    return main([str(one) for one in arguments])


def test_three_numbers_make_a_plan(setup, tmp_path, capsys):
    out = tmp_path / "plan"
    assert call("plan", "--setup", setup, "--position", 12000, "--out", out) == 0
    printed = capsys.readouterr()
    assert "Never point the telescope near the Sun" in printed.out
    assert sorted(path.name for path in out.iterdir()) == ["plan.csv", "plan.json"]


def test_json_is_the_document(setup, tmp_path, capsys):
    out = tmp_path / "plan"
    status = call("plan", "--setup", setup, "--filters", "lum,H-alpha", "--json", "--out", out)
    document = json.loads(capsys.readouterr().out)
    assert status == 0
    assert document["reference"] == "L"
    assert set(document["zone_steps"]) == {"L", "Ha"}
    written = json.loads((out / "plan.json").read_text("utf-8"))
    assert written["duration_s"] == document["duration_s"]


def test_what_cannot_be_reached_has_a_status_of_its_own(setup, tmp_path):
    asked = ("--filters", "L,R", "--sigma", "0.001", "--quiet", "--out", tmp_path / "plan")
    assert call("plan", "--setup", setup, "--position", 0, *asked) == 3


def test_zones_may_be_asked(setup, tmp_path, capsys):
    asked = ("--sigma", "0.5zones", "--json", "--out", tmp_path / "plan")
    assert call("plan", "--setup", setup, "--position", 0, *asked) == 0
    document = json.loads(capsys.readouterr().out)
    smallest = min(document["zone_steps"].values())
    assert document["wanted_sigma_steps"] == pytest.approx(smallest / 2)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("plan",), "a plan needs focal_length_mm"),
        (("plan", "--setup", "none.toml"), "none.toml"),
        (("plan", "--from", "nowhere"), "nowhere"),
        (("simulate", "--plan", "none.csv"), "none.csv: the plan cannot be read"),
        (("simulate", "--setup", "none.toml"), "--setup goes with --plan"),
    ],
)
def test_a_wrong_call_is_one_line_and_writes_nothing(
    arguments, said, tmp_path, capsys, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    assert call(*arguments, "--out", tmp_path / "out") == 2
    printed = capsys.readouterr()
    assert said in printed.err
    assert len(printed.err.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_plan_without_a_telescope_asks_for_one(tmp_path, capsys):
    (tmp_path / "plan.csv").write_text(
        "order,sweep,filter,position_steps,exposure_s,note\n1,1,L,5,2,\n"
    )
    assert call("simulate", "--plan", tmp_path / "plan.csv", "--out", tmp_path / "out") == 2
    assert "name your telescope by --setup" in capsys.readouterr().err


@pytest.mark.parametrize("wrong", ["0", "-1", "many", "zone"])
def test_a_wrong_uncertainty_is_refused(wrong, capsys):
    with pytest.raises(SystemExit):
        call("plan", "--sigma", wrong)
    assert "number above 0" in capsys.readouterr().err


def test_a_test_frame_tells_size_place_and_light(tmp_path, capsys):
    frame = DEMO / "evening_0006.fits.fz"  # L, about in focus at 12008, 3 s
    status = call(
        "plan", "--setup", DEMO / "setup.toml", "--from", frame, "--filters", "L,R", "--jobs", 1,
        "--json", "--out", tmp_path / "plan",
    )  # fmt: skip
    document = json.loads(capsys.readouterr().out)
    assert status == 0
    # The frame's own reading, 1.27 px (truth.json of the demo night: best focus at 12008).
    assert document["hfr_px"] == pytest.approx(1.27, abs=0.03)
    assert document["centre_steps"] == {"L": 12008, "R": 12008}
    assert "seeing" not in {one["name"] for one in document["assumed"]}


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """Plan, simulate, offsets: L and R of a telescope with three numbers.

    Hands back plan.json, truth.json, the result and the folder of it.
    """
    home = tmp_path_factory.mktemp("followed")
    (home / "setup.toml").write_text(THREE + "repeatability_steps = 0.5\n")
    plan, frames, out = home / "plan", home / "frames", home / "out"
    asked = ("--filters", "L,R", "--position", 9000, "--quiet")
    assert call("plan", "--setup", home / "setup.toml", *asked, "--out", plan) == 0
    drawn = ("--plan", plan / "plan.csv", "--seed", 2, "--quiet", "--out", frames)
    assert call("simulate", *drawn) == 0
    measured = ("--setup", frames / "setup.toml", "--jobs", 1, "--quiet", "--out", out)
    assert call("offsets", frames, *measured) == 0
    truth = json.loads((frames / "truth.json").read_text("utf-8"))
    return json.loads((plan / "plan.json").read_text("utf-8")), truth, load_result(out), out


def test_a_plan_that_was_followed_gives_the_offset_within_what_it_promised(followed):
    plan, truth, result, _ = followed
    (row,) = [one for one in result.comparison.rows if one.filter == "R"]
    assert row.status == "measured"
    error = row.offset_steps - truth["offset_steps"]["R"]
    assert abs(error) < 3 * plan["expected_sigma_steps"]["R"]


def test_each_sweep_of_it_is_found_whole(followed):
    plan, _, result, _ = followed
    assert len(result.measured) == plan["sweeps"]
    assert sum(len(sweep.frames) for sweep in result.measured) == plan["frames"]
    assert {sweep.sweep.approach for sweep in result.measured} == {"outward"}


def test_it_takes_as_long_as_planned(followed):
    plan, _, result, _ = followed
    frames = [f.facts for sweep in result.measured for f in sweep.frames]
    ends = [f.mid_time_mjd for f in frames]
    took = 86400 * (max(ends) - min(ends))
    # From the middle of the first exposure to that of the last one, of 2 s like all of them.
    between = plan["duration_s"] - SWEEP_OVERHEAD_S - 6 - 2
    assert took == pytest.approx(between, abs=0.1)


def test_an_earlier_night_tells_where_each_filter_focuses(followed, tmp_path, capsys):
    *_, result, out = followed
    asked = ("--from", out, "--filters", "L,R,OIII", "--json", "--out", tmp_path / "plan")
    assert call("plan", *asked) == 0
    document = json.loads(capsys.readouterr().out)
    found = {row.filter: round(row.best_focus_steps) for row in result.comparison.rows}
    # A filter that night did not sweep is expected where the reference is.
    assert document["centre_steps"] == {**found, "OIII": found["L"]}
    # The night's own seeing, step size and light: nothing of them is assumed.
    assumed = {one["name"] for one in document["assumed"]}
    assert assumed.isdisjoint({"seeing", "pixel", "position of best focus", "filters"})


def test_a_result_and_frames_cannot_both_be_planned_from(followed, tmp_path, capsys):
    frame = DEMO / "evening_0006.fits.fz"
    assert call("plan", "--from", followed[3], frame, "--out", tmp_path / "plan") == 2
    assert "from one result folder, or from test frames" in capsys.readouterr().err
