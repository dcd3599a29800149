from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from starsize.simulate import SCENARIOS, Lens, seven_plates, simulate_night, true_curve


@lru_cache
def night(name):
    scene, plan = SCENARIOS[name].scene, SCENARIOS[name].plan
    if name == "achromat":
        # Best focus of the many colours of L takes long to find.
        plan = replace(plan, order=("G", "B", "G"))
    return simulate_night(scene, plan, seed=1)


#: One scenario of each telescope that is swept alike.
TELESCOPES = {repr((s.scene.lens, s.plan.spacing_steps)): n for n, s in SCENARIOS.items()}


def test_parfocal_refractor_has_one_position_inside_every_zone():
    truth = night("parfocal_refractor").truth
    outer = max(truth.offset_steps[f] - truth.zone_steps[f] for f in truth.zone_steps)
    inner = min(truth.offset_steps[f] + truth.zone_steps[f] for f in truth.zone_steps)
    assert outer < inner - 5


def test_thick_filter_stands_off_by_a_third_of_a_millimetre():
    # 1 mm of index 1.52: t (1 - 1/n) = 342 um, and 1.5 um more for edge rays (Smith, Modern
    # Optical Engineering -- from memory).
    with_glass, without = night("one_thick_filter").truth, night("parfocal_refractor").truth
    moved = with_glass.offset_steps["OIII"] - without.offset_steps["OIII"]
    assert 342.0 < moved * with_glass.um_per_step < 344.0


@pytest.mark.parametrize("name", ["achromat", "colour_camera"])
def test_achromat_pulls_blue_out_of_every_zone(name):
    truth = night(name).truth
    assert truth.offset_steps["B"] - truth.zone_steps["B"] > 4 * truth.zone_steps["G"]


def test_mirrors_bring_all_colours_together():
    assert max(abs(v) for v in night("reflector").truth.offset_steps.values()) < 0.1


def test_blue_of_the_achromat_is_lopsided():
    best = night("achromat").truth.best_focus_steps["B"]
    left, right = true_curve(SCENARIOS["achromat"].scene, "B", [best - 100, best + 100])
    assert abs(left - right) > 1.0


@pytest.mark.parametrize("name", ["achromat", "colour_camera"])
def test_no_disc_of_an_achromats_colours_stands_apart(name):
    # 2 lambda N^2 is the zone's half-width (Rayleigh). Discs two widths apart and more are a comb:
    # its smallest star lay half a zone off that of a continuous band.
    scene = SCENARIOS[name].scene
    for plate in scene.filters.values():
        focus = [scene.lens.colour_shift_um(nm) for nm in plate.wavelengths_nm]
        zone_um = 2e-3 * min(plate.wavelengths_nm) * scene.lens.focal_ratio**2
        assert np.abs(np.diff(focus)).max(initial=0) < 8.5 * zone_um


@pytest.mark.parametrize("name", TELESCOPES.values())
def test_sweeps_rise_well_above_their_floor_on_both_sides(name):
    scene, plan = SCENARIOS[name].scene, SCENARIOS[name].plan
    # Best focus of the many colours of L takes long to find: G, half as wide, where there is one.
    order = ("G",) if "G" in plan.order else plan.order[:1]
    planned = simulate_night(scene, replace(plan, order=order), seed=1)
    shots = [s.shot for s in planned.shots if s.sweep == 0]
    at = [shots[0].camera_steps, shots[len(shots) // 2].camera_steps, shots[-1].camera_steps]
    warm = shots[0].temperature_degC
    left, middle, right = true_curve(planned.scene, shots[0].filter, at, temperature_degC=warm)
    assert min(left, right) > 1.8 * middle


def test_seven_plates_takes_the_stated_glass():
    plates = seven_plates({"B": 3.0})
    assert list(plates) == ["L", "R", "G", "B", "Ha", "SII", "OIII"]
    assert (plates["B"].thickness_mm, plates["R"].thickness_mm) == (3.0, 2.0)


def test_scenes_are_plain_data_that_compare_equal():
    assert Lens() == Lens()
    assert SCENARIOS["achromat"].scene != SCENARIOS["parfocal_refractor"].scene
