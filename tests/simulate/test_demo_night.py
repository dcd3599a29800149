"""The committed demo night is the one its script draws, and nothing in testdata has changed."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.frames import find_sweeps, list_frames, load_setup, read_frame
from starsize.simulate import draw_planned, truth_text

ROOT = Path(__file__).parents[2]
TESTDATA = ROOT / "testdata"
DEMO = TESTDATA / "demo_night"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location(
        "make_testdata", ROOT / "scripts" / "make_testdata.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def night(script):
    return script.demo_night()


def test_every_file_of_testdata_has_its_registered_checksum(script):
    registered = (TESTDATA / "registry.txt").read_text(encoding="utf-8").splitlines()
    assert script.registry_lines(TESTDATA) == registered


def test_testdata_stays_small():
    sizes = [path.stat().st_size for path in TESTDATA.rglob("*") if path.is_file()]
    assert sum(sizes) < 25e6


@pytest.mark.parametrize("number", [0, 60, 98])
def test_drawing_a_frame_again_gives_the_same_pixels(night, number):
    drawn = draw_planned(night, night.shots[number])
    stored = read_frame(DEMO / f"{drawn.name}.fits.fz").image
    assert np.array_equal(stored, drawn.image.astype(np.float32))


def test_committed_truth_is_the_truth_of_the_script(night):
    committed = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))
    again = json.loads(truth_text(night.truth))
    assert committed["marked"] == again["marked"]
    for key in ("best_focus_steps", "offset_steps", "zone_steps"):
        assert list(committed[key]) == list(again[key])
        # Written to four decimals; best focus itself is sought to 0.01 step.
        assert_allclose(list(committed[key].values()), list(again[key].values()), atol=0.01)


def test_demo_night_is_the_night_that_its_readme_describes(night):
    files = list_frames([DEMO], setup=load_setup(DEMO / "setup.toml"))
    sweeps, _ = find_sweeps(files)
    order = ["L", "R", "G", "B", "L", "Ha", "SII", "OIII", "L"]
    assert [sweep.filter for sweep in sweeps] == order
    assert [len(sweep.frames) for sweep in sweeps] == [11] * 9
    temperatures = [sweep.frames[0].temperature_degC for sweep in sweeps]
    assert 2.5 < temperatures[0] - temperatures[-1] < 4.5
    unused = {file.path.name for file in files if not file.usable}
    assert unused == {"README.md", "setup.toml", "truth.json"}


def test_some_filters_need_a_move_and_some_do_not(night):
    truth = night.truth
    outside = {f for f, o in truth.offset_steps.items() if abs(o) > truth.zone_steps[f]}
    assert {"SII", "OIII"} <= outside
    assert not {"R", "G"} & outside
