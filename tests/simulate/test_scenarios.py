import pytest

from starsize.simulate import SCENARIOS, Lens, seven_plates, simulate_night, true_curve


@pytest.fixture(scope="module")
def nights():
    return {name: simulate_night(s.scene, s.plan, seed=1) for name, s in SCENARIOS.items()}


@pytest.fixture(scope="module")
def truths(nights):
    return {name: night.truth for name, night in nights.items()}


def test_parfocal_refractor_has_one_position_inside_every_zone(truths):
    truth = truths["parfocal_refractor"]
    outer = max(truth.offset_steps[f] - truth.zone_steps[f] for f in truth.zone_steps)
    inner = min(truth.offset_steps[f] + truth.zone_steps[f] for f in truth.zone_steps)
    assert outer < inner - 5


def test_thick_filter_stands_off_by_a_third_of_a_millimetre(truths):
    # 1 mm of index 1.52: t (1 - 1/n) = 342 um, and 1.5 um more for edge rays (Smith, Modern
    # Optical Engineering -- from memory).
    with_glass, without = truths["one_thick_filter"], truths["parfocal_refractor"]
    moved = with_glass.offset_steps["OIII"] - without.offset_steps["OIII"]
    assert 342.0 < moved * with_glass.um_per_step < 344.0


@pytest.mark.parametrize("name", ["achromat", "colour_camera"])
def test_achromat_pulls_blue_out_of_every_zone(truths, name):
    truth = truths[name]
    assert truth.offset_steps["B"] - truth.zone_steps["B"] > 4 * truth.zone_steps["G"]


def test_mirrors_bring_all_colours_together(truths):
    assert max(abs(v) for v in truths["reflector"].offset_steps.values()) < 0.1


def test_blue_of_the_achromat_is_lopsided(truths):
    best = truths["achromat"].best_focus_steps["B"]
    left, right = true_curve(SCENARIOS["achromat"].scene, "B", [best - 100, best + 100])
    assert abs(left - right) > 1.0


@pytest.mark.parametrize("name", list(SCENARIOS))
def test_sweeps_rise_well_above_their_floor_on_both_sides(nights, name):
    night = nights[name]
    shots = [s.shot for s in night.shots if s.sweep == 0]
    at = [shots[0].camera_steps, shots[len(shots) // 2].camera_steps, shots[-1].camera_steps]
    warm = shots[0].temperature_degC
    left, middle, right = true_curve(night.scene, shots[0].filter, at, temperature_degC=warm)
    assert min(left, right) > 1.8 * middle


def test_seven_plates_takes_the_stated_glass():
    plates = seven_plates({"B": 3.0})
    assert list(plates) == ["L", "R", "G", "B", "Ha", "SII", "OIII"]
    assert (plates["B"].thickness_mm, plates["R"].thickness_mm) == (3.0, 2.0)


def test_scenes_are_plain_data_that_compare_equal():
    assert Lens() == Lens()
    assert SCENARIOS["achromat"].scene != SCENARIOS["parfocal_refractor"].scene
