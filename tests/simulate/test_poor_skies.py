from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.simulate import (
    LENSES,
    NightPlan,
    Scene,
    Sensor,
    Shot,
    Sky,
    StarField,
    draw_exposure,
    expected_light,
    simulate_night,
    star_field,
)

SHOT = Shot(filter="L", camera_steps=12171.0, temperature_degC=10.0, exposure_s=3.0)
EMPTY = Scene(light="rays", stars=StarField(count=0), sky=Sky(gradient=0.0, vignetting=0.0))


def frame(scene, shot=SHOT, seed=1):
    return draw_exposure(scene, shot, rng=np.random.default_rng(seed))


@pytest.mark.parametrize("name", list(LENSES))
def test_lenses_have_their_colours_in_a_plausible_order(name):
    # Secondary spectrum of classical pairs f / 2000, of ED pairs below f / 5000 (common practice);
    # mirrors have none.
    lens = LENSES[name].lens
    shift = [lens.colour_shift_um(c) for c in (486.1, 546.1, 656.3)]
    spread = np.ptp(shift) / (1e3 * lens.focal_length_mm)
    limits = {"mirror": 0.0, "long": 0.0, "triplet": 2e-4, "doublet": 2e-4, "blue_doublet": 2e-4}
    assert spread <= limits.get(name.split("_f")[0], 1.2e-3)


def test_counts_come_in_the_converters_steps():
    sky = replace(EMPTY, sky=Sky(glow_e_per_s=30.0), sensor=Sensor(step_adu=16))
    assert set(np.unique(frame(sky) % 16)) == {0}


def test_calibration_leaves_a_noisy_plateau():
    burnt = replace(
        EMPTY,
        stars=StarField(only_e_per_s=(5e6,)),
        sensor=Sensor(full_well_adu=12000.0, response=0.015),
    )
    core = np.sort(frame(burnt).ravel())[-40:]
    assert len(set(core)) > 20
    assert_allclose(core, 12500, rtol=0.06)


def test_dust_shades_rings_and_stays_while_the_sky_moves():
    dusty = replace(EMPTY, sky=Sky(glow_e_per_s=100.0, gradient=0.0), sensor=Sensor(dust=20))
    shade = expected_light(dusty, SHOT) / expected_light(replace(dusty, sensor=Sensor()), SHOT)
    assert_allclose(shade.max(), 1.0, rtol=1e-3)
    assert 0.72 < shade.min() < 0.97  # two at most 15 % deep may overlap
    assert 0.01 < np.mean(shade < 0.98) < 0.4
    assert np.array_equal(expected_light(dusty, SHOT), expected_light(dusty, SHOT))


def test_nebula_galaxy_and_glow_add_the_light_stated():
    dark = expected_light(EMPTY, SHOT)
    for changed, total, rtol in (
        (replace(EMPTY, sky=replace(EMPTY.sky, nebula_e_per_s=10.0)), 10.0 * 3 * 480 * 640, 0.05),
        (replace(EMPTY, sky=replace(EMPTY.sky, galaxy_e_per_s=1e5)), 3e5, 0.02),
        # The integral of exp(-r / h) over a quarter plane is pi h^2 / 2.
        (
            replace(EMPTY, sensor=Sensor(amplifier_e_per_s=50.0)),
            150.0 * np.pi / 2 * (0.15 * 800) ** 2,
            0.05,
        ),
    ):
        assert_allclose((expected_light(changed, SHOT) - dark).sum(), total, rtol=rtol)


def test_satellites_are_as_much_out_of_focus_as_the_stars():
    widths = []
    for steps in (12171.0, 12271.0):
        crossed = replace(SHOT, camera_steps=steps, satellites=((320.0, 240.0, 90.0),))
        light = expected_light(EMPTY, crossed) - expected_light(EMPTY, replace(SHOT))
        profile = light[240] / light[240].max()
        widths.append((profile > 0.5).sum())
    assert widths[1] > 3 * widths[0]


def test_doubles_and_lone_stars_are_as_listed():
    single = star_field(StarField(count=200), (480, 640))
    double = star_field(StarField(count=200, double_share=0.5), (480, 640))
    assert_allclose(len(double) / len(single), 1.5, atol=0.1)
    few = star_field(StarField(only_e_per_s=(100.0, 900.0)), (300, 400))
    assert few[:, 2].tolist() == [900.0, 100.0]
    assert np.all(np.abs(few[:, :2]) < 0.4 * np.array([400, 300]))


def test_wind_clouds_and_satellites_come_as_planned_and_change_nothing_else():
    calm = simulate_night(EMPTY, NightPlan(), seed=3)
    plan = NightPlan(wind_px=(1.0, 3.0), cloud=1.5, satellites=1.0)
    rough = simulate_night(EMPTY, plan, seed=3)
    length = [np.hypot(*s.shot.smear_px) for s in rough.shots]
    assert 1.0 <= min(length) < 1.3
    assert 2.7 < max(length) <= 3.0
    cloud = np.array([s.shot.cloud for s in rough.shots])
    assert cloud.min() == 0
    assert cloud.max() > 0.8
    assert_allclose(np.mean([len(s.shot.satellites) for s in rough.shots]), 1.0, atol=0.5)
    for one, other in zip(calm.shots, rough.shots, strict=True):
        same = replace(other.shot, smear_px=(0.0, 0.0), cloud=0.0, satellites=())
        assert same == one.shot
