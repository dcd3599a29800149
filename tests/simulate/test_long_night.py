"""Nights of ordinary exposures: what is drawn is what was planned."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from starsize.simulate import LENSES
from starsize.simulate.long_night import LongNightPlan, live_through
from starsize.simulate.long_night_frames import draw_long_night

PLAN = LongNightPlan(frames=40, jitter=0.0, wander=0.0)


def test_the_same_seed_is_the_same_night():
    one, two = (live_through(LongNightPlan(clouds=1, winds=1), seed=5) for _ in range(2))
    assert_array_equal(one.seeing, two.seeing)
    assert_array_equal(one.smear_px, two.smear_px)
    assert_array_equal(one.cloud, two.cloud)


def test_cooling_moves_focus_by_the_coefficient():
    plan = replace(PLAN, cooling_degC=5.0, zones_per_degC=0.7)
    night = live_through(plan, seed=1)
    went = night.focus_zones[-1] - night.focus_zones[0]
    # Focus comes in as the tube cools: the camera stands too far out.
    assert_allclose(went, 3.5, atol=1e-9)
    assert_allclose(night.temperature_degC[0] - night.temperature_degC[-1], 5.0, atol=0.2)


def test_wander_grows_with_the_root_of_time():
    """Variance of a random walk: sigma^2 t (Einstein 1905)."""
    plan = replace(PLAN, start_zones=0.0, walk_zones=0.3)
    nights = [live_through(plan, seed=seed) for seed in range(400)]
    hours = nights[0].hours
    walks = np.array([night.focus_zones - night.focus_zones[0] for night in nights])
    # The standard deviation of 400 is known to 3.5 %.
    assert_allclose(walks[:, -1].std(), 0.3 * np.sqrt(hours[-1]), rtol=0.12)
    assert_allclose(walks[:, 10].std(), 0.3 * np.sqrt(hours[10]), rtol=0.12)


def test_seeing_grows_with_airmass_to_the_power_of_six_tenths():
    """FWHM goes as the airmass to 3/5 in Kolmogorov turbulence (Fried 1966 -- from memory)."""
    night = live_through(replace(PLAN, airmass=(1.0, 2.0)), seed=1)
    assert_allclose(night.seeing[-1] / night.seeing[0], 2**0.6)


def test_a_wrong_offset_moves_one_filter_and_refocusing_brings_focus_back():
    plan = replace(
        PLAN, wrong_filter="G", wrong_zones=2.5, cooling_degC=5, zones_per_degC=1, refocus_each=10
    )
    night = live_through(plan, seed=2)
    moved = night.defocus_zones - night.focus_zones
    assert set(moved[[f == "G" for f in night.filters]]) == {2.5}
    assert set(moved[[f != "G" for f in night.filters]]) == {0.0}
    assert np.all(np.abs(night.focus_zones[[10, 20, 30]]) < 4 * plan.start_zones)


def test_frames_carry_what_the_observer_knows_and_not_the_truth():
    scene = LENSES["triplet_f5.5"]
    scene = replace(scene, sensor=replace(scene.sensor, shape=(80, 100)))
    plan = LongNightPlan(frames=2, order=("L",), exposure_s=1.0, slip_frame=1, slip_zones=3.0)
    night, frames = draw_long_night(scene, plan, seed=3)
    drawn = list(frames)
    assert night.defocus_zones[1] - night.defocus_zones[0] == 3.0
    positions = [frame.cards["FOCUSPOS"][0] for frame in drawn]
    assert positions[0] == positions[1]
    assert drawn[0].image.shape == (80, 100)
