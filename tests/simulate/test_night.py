from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.optics import critical_focus_zone_um
from starsize.simulate import (
    FocuserPhysics,
    HeaderStyle,
    NightPlan,
    Scene,
    Sensor,
    draw_night,
    draw_planned,
    simulate_night,
    simulate_sweep,
    true_best_focus,
    usual_plate,
)

PLAN = NightPlan(order=("L", "R", "L"), positions=5, warm_degC=12.0, cold_degC=8.0)
SMALL = Scene(
    light="rays",
    sensor=Sensor(shape=(60, 80)),
    focuser=FocuserPhysics(steps_per_degC=-6.0, backlash_steps=30.0),
    filters={"L": usual_plate("L"), "R": usual_plate("R", thickness_mm=2.2)},
)


def test_offsets_are_differences_of_the_positions_of_the_smallest_star():
    truth = simulate_night(SMALL, PLAN, seed=1).truth
    best = {name: true_best_focus(SMALL, name) for name in "LR"}
    assert truth.reference == "L"
    assert truth.offset_steps["L"] == 0
    assert_allclose(truth.offset_steps["R"], best["R"] - best["L"], atol=1e-9)
    # 0.2 mm of glass of index 1.52: t (1 - 1/n) / 4 um, 17.1 steps (Smith -- from memory).
    assert_allclose(truth.offset_steps["R"], 17.1, atol=0.15)


def test_sweeps_drift_with_the_temperature():
    truth = simulate_night(SMALL, PLAN, seed=1).truth
    first, _, last = truth.sweeps
    cooling = last.temperature_degC - first.temperature_degC
    assert cooling < -1.5
    assert_allclose(last.best_focus_steps - first.best_focus_steps, -6.0 * cooling)


def test_zone_is_the_quarter_wave_limit_in_steps():
    truth = simulate_night(SMALL, PLAN, seed=1).truth
    expected = critical_focus_zone_um(550.0, SMALL.lens.focal_ratio) / 4.0
    assert_allclose(truth.zone_steps["L"], expected)


def test_falling_counts_find_focus_lower_by_the_play():
    up = simulate_night(SMALL, PLAN, seed=1)
    down = simulate_night(SMALL, replace(PLAN, rising=False), seed=1)
    gap = up.truth.best_focus_steps["L"] - down.truth.best_focus_steps["L"]
    assert_allclose(gap, 30.0)
    # With the play taken up, the camera stands above a falling count by the whole play.
    above = [s.shot.camera_steps - s.position for s in down.shots]
    assert_allclose(above, 30.0)
    assert_allclose([s.shot.camera_steps - s.position for s in up.shots], 0.0)


def test_play_that_is_not_taken_up_flattens_the_start_of_a_sweep():
    plan = replace(PLAN, take_up=False, spacing_steps=20)
    sweep = simulate_night(SMALL, plan, seed=1).shots[:5]
    moves = np.diff([shot.shot.camera_steps for shot in sweep])
    assert moves[0] < 20
    assert_allclose(moves[2:], 20)


def test_times_and_positions_run_as_planned():
    shots = simulate_night(SMALL, PLAN, seed=1).shots
    seconds = [(s.begins - shots[0].begins).total_seconds() for s in shots]
    assert_allclose(seconds[:6], [0, 9, 18, 27, 36, 900])
    assert_allclose(np.diff([s.position for s in shots[:5]]), 20)
    assert [s.shot.filter for s in shots[::5]] == ["L", "R", "L"]


def test_meridian_flip_turns_the_field():
    shots = simulate_night(SMALL, replace(PLAN, flip_before=1), seed=1).shots
    turned = [s.shot.pointing.rotation_deg for s in shots]
    assert turned[:5] == [0.0] * 5
    assert min(turned[5:]) > 180


def test_seeing_scatters_as_stated():
    scene = replace(SMALL, sky=replace(SMALL.sky, jitter=0.1))
    plan = replace(PLAN, order=("L",) * 40, positions=25)
    factors = [s.shot.seeing_factor for s in simulate_night(scene, plan, seed=1).shots]
    # 1,000 draws: 2.2 % of a standard deviation, times three.
    assert_allclose(np.std(np.log(factors)), 0.1, rtol=0.07)


def test_same_seed_gives_the_same_night_and_frames_stand_alone():
    night = simulate_night(SMALL, PLAN, seed=5)
    frames = list(draw_night(night))
    again = draw_planned(simulate_night(SMALL, PLAN, seed=5), night.shots[7])
    assert np.array_equal(frames[7].image, again.image)
    assert frames[7].cards == again.cards
    other = draw_planned(simulate_night(SMALL, PLAN, seed=6), night.shots[7])
    assert not np.array_equal(frames[7].image, other.image)
    assert len({frame.name for frame in frames}) == len(frames) == 15


def test_headers_state_what_was_done_and_that_it_is_invented():
    night = simulate_night(SMALL, PLAN, seed=1)
    frame = draw_planned(night, night.shots[6])
    assert frame.cards["ORIGIN"][0] == "SIMULATED DATA, INVENTED"
    assert frame.cards["FILTER"][0] == "R"
    assert frame.cards["FOCUSPOS"][0] == night.shots[6].position
    assert frame.cards["DATE-OBS"][0] == "2031-02-03T20:25:09.000"
    assert_allclose(frame.cards["FOCTEMP"][0], night.shots[6].shot.temperature_degC, atol=0.2)


def test_header_styles_take_turns_through_the_night():
    other = HeaderStyle(position="FOCPOS", position_as="text", filter_names=(("L", "Lum"),))
    night = simulate_night(SMALL, PLAN, seed=1, styles=(HeaderStyle(), other))
    first, last = (draw_planned(night, shot) for shot in (night.shots[0], night.shots[-1]))
    assert "FOCPOS" not in first.cards
    assert last.cards["FOCPOS"][0] == str(night.shots[-1].position)
    assert last.cards["FILTER"][0] == "Lum"


def test_colour_camera_has_a_pattern_no_filter_and_a_truth_for_each_colour():
    colour = replace(
        SMALL,
        filters={name: usual_plate(name) for name in "RGB"},
        sensor=Sensor(shape=(60, 80), bayer="RGGB"),
    )
    night = simulate_sweep(colour, "G", seed=1, plan=PLAN)
    cards = draw_planned(night, night.shots[0]).cards
    assert cards["BAYERPAT"][0] == "RGGB"
    assert "FILTER" not in cards
    assert set(night.truth.best_focus_steps) == {"R", "G", "B"}
    assert night.truth.reference == "G"


@pytest.mark.parametrize("rising", [True, False])
def test_counts_that_fall_outward_keep_best_focus_inside_the_sweep(rising):
    falling = replace(SMALL, focuser=replace(SMALL.focuser, outward=-1))
    night = simulate_sweep(falling, "L", seed=1, plan=replace(PLAN, rising=rising))
    positions = [shot.position for shot in night.shots]
    assert min(positions) < night.truth.sweeps[0].best_focus_steps < max(positions)


def test_a_plan_with_a_filter_that_the_scene_lacks_is_refused():
    with pytest.raises(ValueError, match="'scene' has no filter Ha; it has L, R"):
        simulate_night(SMALL, replace(PLAN, order=("L", "Ha")), seed=1)
    colour = replace(SMALL, sensor=Sensor(bayer="RGGB"))
    with pytest.raises(ValueError, match="'scene' has no filter G, B"):
        simulate_night(colour, replace(PLAN, order=("R",)), seed=1)
