import json
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from starsize.errors import InputError, OutputError
from starsize.frames import find_sweeps, list_frames, load_setup, read_frame
from starsize.simulate import (
    SCENARIOS,
    NightPlan,
    Scenario,
    Scene,
    Sensor,
    draw_planned,
    simulate_night,
    write_night,
    write_practice_night,
)

NIGHT = simulate_night(
    replace(Scene(light="rays"), sensor=Sensor(shape=(60, 80))),
    NightPlan(order=("L", "B"), positions=5),
    seed=3,
)


@pytest.fixture(scope="module", params=[True, False], ids=["packed", "plain"])
def folder(request, tmp_path_factory):
    place = tmp_path_factory.mktemp("night") / "new"
    write_night(place, NIGHT, compressed=request.param)
    return place


def test_frames_come_back_pixel_for_pixel_with_their_facts(folder):
    frames = [file.facts for file in list_frames([folder]) if file.usable]
    assert len(frames) == 10
    for planned, facts in zip(NIGHT.shots, frames, strict=True):
        assert facts.filter == planned.shot.filter
        assert facts.position_steps == planned.position
        assert facts.exposure_s == 3.0
        assert facts.pixel_um == 3.76
    drawn = draw_planned(NIGHT, NIGHT.shots[4])
    assert np.array_equal(read_frame(frames[4]).image, drawn.image.astype(np.float32))


def test_frames_form_the_planned_sweeps(folder):
    sweeps, _ = find_sweeps(list_frames([folder]))
    assert [(s.filter, len(s.frames), s.approach) for s in sweeps] == [
        ("L", 5, "outward"),
        ("B", 5, "outward"),
    ]


def test_each_frame_drawn_is_told(tmp_path):
    told = []
    write_night(tmp_path, NIGHT, progress=lambda done, total: told.append((done, total)))
    assert told == [(k, 10) for k in range(1, 11)]


def test_every_frame_says_that_it_is_invented(folder):
    for path in folder.glob("*.fits*"):
        with fits.open(path) as hdus:
            assert hdus[-1].header["ORIGIN"] == "SIMULATED DATA, INVENTED"


def test_truth_and_setup_lie_beside_the_frames(folder):
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    assert "INVENTED" in truth["marked"]
    assert truth["offset_steps"]["B"] == round(NIGHT.truth.offset_steps["B"], 4)
    assert len(truth["sweeps"]) == 2
    setup = load_setup(folder / "setup.toml")
    assert setup.telescope.focal_ratio == NIGHT.scene.lens.focal_ratio
    assert setup.focuser.um_per_step == 4.0
    assert setup.filters["B"].bandwidth_nm == 100


@pytest.fixture
def tiny_scenario(monkeypatch):
    small = replace(Scene(light="rays"), sensor=Sensor(shape=(40, 40)))
    plan = NightPlan(order=("L",), positions=3)
    monkeypatch.setattr(
        "starsize.simulate.write.SCENARIOS",
        {"tiny": Scenario(text="three frames", scene=small, plan=plan)},
    )


def test_practice_night_returns_its_truth(tiny_scenario, tmp_path):
    truth = write_practice_night(tmp_path / "a", scenario="tiny", seed=4)
    assert truth.seed == 4
    assert len(list((tmp_path / "a").glob("*.fits.fz"))) == 3


def test_another_seed_is_another_night(tiny_scenario, tmp_path):
    dates = set()
    for seed in (1, 2):
        write_practice_night(tmp_path / str(seed), scenario="tiny", seed=seed, compressed=False)
        (first, *_) = sorted((tmp_path / str(seed)).glob("*.fits"))
        dates.add(fits.getheader(first)["DATE-OBS"][:10])
    assert len(dates) == 2


def test_practice_night_spares_a_folder_in_use(tiny_scenario, tmp_path):
    (tmp_path / "mine.txt").write_text("keep", encoding="utf-8")
    with pytest.raises(OutputError, match="is not an empty folder; name a new one"):
        write_practice_night(tmp_path, scenario="tiny")
    write_practice_night(tmp_path, scenario="tiny", overwrite=True)
    write_practice_night(tmp_path, scenario="tiny", overwrite=True)
    assert (tmp_path / "mine.txt").read_text(encoding="utf-8") == "keep"


def test_practice_night_needs_a_folder_not_a_file(tiny_scenario, tmp_path):
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match="is not an empty folder"):
        write_practice_night(tmp_path / "file", scenario="tiny", overwrite=True)


def test_unknown_scenario_is_refused_with_the_choice(tmp_path):
    with pytest.raises(InputError, match="no scenario 'moon'; choose one of parfocal_refractor"):
        write_practice_night(tmp_path / "new", scenario="moon")
    assert not (tmp_path / "new").exists()
    assert set(SCENARIOS) >= {"parfocal_refractor", "achromat", "one_thick_filter", "reflector"}
