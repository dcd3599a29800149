from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.errors import SetupError
from starsize.frames.tables import PlannedExposure
from starsize.setup import FilterGlass, Focuser, Setup, Telescope
from starsize.simulate import frame_radius_px, half_flux_radius_px, planned_night, star_blur
from starsize.simulate.planned import start_times_s

SETUP = Setup(
    telescope=Telescope(focal_length_mm=400.0, aperture_mm=80.0),
    focuser=Focuser(um_per_step=4.0, backlash_steps=30.0, repeatability_steps=0.0),
)


def exposures(centres=(("L", 5000), ("R", 5000), ("L", 5000)), away=(-40, -20, 20, 40)):
    return tuple(
        PlannedExposure(
            order=sweep * len(away) + k + 1, sweep=sweep + 1, filter=name,
            position_steps=centre + a, exposure_s=2.0,
        )
        for sweep, (name, centre) in enumerate(centres)
        for k, a in enumerate(away)
    )  # fmt: skip


@pytest.fixture(scope="module")
def night():
    return planned_night(exposures(), SETUP, seed=3)


def test_the_plan_is_kept_in_positions_exposures_and_times(night):
    rows = exposures()
    assert [s.position for s in night.shots] == [one.position_steps for one in rows]
    assert [s.shot.filter for s in night.shots] == [one.filter for one in rows]
    begin = night.shots[0].begins
    since = [(s.begins - begin).total_seconds() for s in night.shots]
    times = start_times_s(rows)[:-1]
    assert_allclose(since, np.array(times) - times[0], atol=1e-5)


def test_the_telescope_is_the_persons_own(night):
    lens, focuser = night.scene.lens, night.scene.focuser
    assert (lens.focal_length_mm, lens.aperture_mm) == (400.0, 80.0)
    assert (focuser.um_per_step, focuser.backlash_steps) == (4.0, 30.0)


def test_the_reference_focuses_within_a_zone_of_where_it_is_expected(night):
    truth = night.truth
    assert abs(truth.best_focus_steps["L"] - 5000) < 1.5 * truth.zone_steps["L"]
    assert truth.reference == "L"


def test_without_l_the_truth_counts_from_the_filter_swept_most_as_the_table_does():
    rows = exposures(centres=(("R", 5000), ("G", 5000), ("B", 5000), ("R", 5000)))
    night = planned_night(rows, SETUP, seed=3, best_steps=dict.fromkeys("RGB", 5000.0))
    assert night.truth.reference == "R"


def test_play_is_taken_up_before_each_sweep(night):
    away = [s.shot.camera_steps - s.position for s in night.shots]
    assert np.max(np.abs(away)) < 2


def test_the_same_seed_is_the_same_night_and_another_is_not(night):
    again, other = (planned_night(exposures(), SETUP, seed=s) for s in (3, 4))
    assert again.truth == night.truth
    assert other.truth.offset_steps != night.truth.offset_steps


def test_a_sweep_that_the_focuser_scattered_is_known_as_such():
    loose = replace(SETUP, focuser=replace(SETUP.focuser, repeatability_steps=25.0))
    best = {"L": 5000.0, "R": 5000.0}
    night = planned_night(exposures(), loose, seed=5, best_steps=best)
    for truth in night.truth.sweeps:
        shots = [s for s in night.shots if s.sweep == truth.sweep]
        shift = np.mean([s.shot.camera_steps - s.position for s in shots])
        drift = night.scene.focuser.steps_per_degC * (truth.temperature_degC - 10.0)
        assert_allclose(truth.best_focus_steps, 5000 + drift - shift, atol=0.6)


def test_a_filter_planned_elsewhere_focuses_there():
    """A plate moves focus by t (1 - 1/n); its thickness is drawn to suit the plan."""
    rows = exposures(centres=(("L", 5000), ("R", 5120), ("L", 5000)))
    night = planned_night(rows, SETUP, seed=6)
    offset, zone = night.truth.offset_steps["R"], night.truth.zone_steps["R"]
    assert abs(offset - 120) < 3 * zone


def test_glass_that_is_stated_is_taken():
    stated = replace(SETUP, filters={"R": FilterGlass(thickness_mm=1.25, refractive_index=1.5)})
    night = planned_night(exposures(), stated, seed=3, best_steps={"L": 5000.0, "R": 5000.0})
    plate = night.scene.filters["R"]
    assert (plate.thickness_mm, plate.index) == (1.25, 1.5)


@pytest.mark.parametrize("hfr_px", [1.3, 2.5])
def test_stars_in_focus_are_about_as_large_as_planned(hfr_px):
    best = {"L": 5000.0, "R": 5000.0}
    night = planned_night(exposures(), SETUP, seed=3, hfr_px=hfr_px, best_steps=best)
    sharp = min(
        half_flux_radius_px(star_blur(night.scene, "L", away), pixels=False)
        for away in np.linspace(600, 1400, 41)
    )
    assert_allclose(sharp, hfr_px, rtol=0.1)


def test_what_lacks_is_named():
    with pytest.raises(SetupError, match="focal_length_mm"):
        planned_night(exposures(), Setup(), seed=1)
    with pytest.raises(SetupError, match=r"filters\.Odd"):
        planned_night(exposures(centres=(("Odd", 5000),)), SETUP, seed=1)


def test_the_frames_far_from_focus_are_larger(night):
    sizes = [frame_radius_px(night.scene, s.shot) for s in night.shots[:4]]
    assert min(sizes[0], sizes[3]) > min(sizes[1], sizes[2])
