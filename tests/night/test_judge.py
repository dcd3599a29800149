"""Nights judged: quiet, slipped, drifting behind better air, windy, cloudy, a wrong offset."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.estimate import Estimate
from starsize.night import judge_night
from starsize.night.course import prepare_course
from starsize.night.judge import LiveNight, signed
from starsize.night.model import DEFOCUS_ZONES
from starsize.simulate.long_night import LongNightPlan

from .nights import FILTERS, drawn

PLAN = LongNightPlan(frames=24, order=("L",), block=24)
LIMIT = 0.1


def test_a_quiet_night_loses_nothing(table, equipment):
    exposures, _, _ = drawn(table, PLAN, seed=3)
    result = judge_night(exposures, equipment, limit=LIMIT)
    assert "lost" not in {frame.state for frame in result.frames}
    assert {"drift", "slip", "offset"}.isdisjoint(result.causes)


def test_a_slip_is_lost_at_once_and_called_a_slip(table, equipment):
    exposures, _, points = drawn(table, replace(PLAN, slip_frame=10, slip_zones=3.0), seed=4)
    result = judge_night(exposures, equipment, limit=LIMIT)
    states = [frame.state for frame in result.frames]
    assert points.growth[10] > 0.3
    assert set(states[:9]) <= {"held", "unclear"}
    assert set(states[11:]) == {"lost"}
    assert set(result.causes[11:]) == {"slip"}
    size = np.array([abs(frame.defocus_zones) for frame in result.frames[11:]])
    assert np.sqrt(np.mean((size - 3.0) ** 2)) < 0.5


def test_a_drift_behind_better_air_is_seen_while_radii_stay_level(table, equipment):
    plan = replace(
        PLAN, cooling_degC=5.0, zones_per_degC=0.6, trend=-0.8, wander=0.0, interval_s=600.0
    )
    exposures, _, points = drawn(table, plan, seed=5)
    radii = points.radius_px
    assert radii[-5:].mean() < 1.25 * radii[:5].mean()
    result = judge_night(exposures, equipment, limit=LIMIT)
    assert {frame.state for frame in result.frames[-6:]} == {"lost"}
    assert result.frames[0].state != "lost"


def test_live_judges_by_the_past_alone(table, equipment):
    exposures, _, _ = drawn(table, replace(PLAN, slip_frame=10, slip_zones=3.0), seed=4)
    course = prepare_course(exposures, equipment, limit=LIMIT)
    live = LiveNight(course)
    whole = [live.add(one) for one in exposures]
    live = LiveNight(course)
    part = [live.add(one) for one in exposures[:8]]
    for one, other in zip(part, whole, strict=False):
        assert one.probability_lost == pytest.approx(other.probability_lost, abs=1e-6)


def test_a_wild_frame_does_not_move_its_neighbours(table, equipment):
    exposures, _, _ = drawn(table, PLAN, seed=3)
    wild = list(exposures)
    wild[12] = replace(wild[12], hfr_px=2 * wild[12].hfr_px, shape=1.25 * wild[12].shape)
    before = judge_night(exposures, equipment, limit=LIMIT)
    after = judge_night(wild, equipment, limit=LIMIT)
    for k in (10, 11, 13, 14):
        assert after.frames[k].state != "lost"
        change = abs(after.frames[k].growth - before.frames[k].growth)
        assert change < 0.05


def test_wind_and_cloud_are_not_taken_for_focus(table, equipment):
    exposures, night, _ = drawn(table, replace(PLAN, clouds=2, winds=1), seed=6)
    windy = np.hypot(*night.smear_px.T) > 2
    cloudy = night.cloud > 0.6
    assert windy.any()
    assert cloudy.any()
    result = judge_night(exposures, equipment, limit=LIMIT)
    assert "lost" not in {frame.state for frame in result.frames}
    said = np.array(result.causes)
    assert np.mean((said == "wind or guiding")[windy & ~cloudy]) > 0.7
    assert np.mean((said == "cloud")[cloudy]) > 0.7


def test_a_wrong_offset_is_named_and_measured_and_no_other(table, equipment):
    best = table.best_steps
    offsets = {name: Estimate(best[name] - best["L"], 0.5) for name in FILTERS}
    known = replace(equipment, offset_steps=offsets)
    plan = LongNightPlan(frames=24, order=FILTERS, block=4, wrong_filter="G", wrong_zones=2.6)
    exposures, _, _ = drawn(table, plan, seed=7)
    result = judge_night(exposures, known, limit=LIMIT)
    found = {one.filter: one for one in result.offsets}
    assert found["G"].agrees is False
    assert all(found[name].agrees is not False for name in ("L", "B"))
    assert abs(abs(found["G"].change_zones) - 2.6) < 3 * found["G"].change_sigma_zones
    assert set(np.array(result.causes)[[e.filter == "G" for e in exposures]]) == {"offset"}


def test_two_nights_together_know_an_offset_better_than_one(table, equipment):
    best = table.best_steps
    offsets = {name: Estimate(best[name] - best["L"], 0.5) for name in FILTERS}
    known = replace(equipment, offset_steps=offsets)
    plan = LongNightPlan(frames=15, order=FILTERS, block=5, wrong_filter="G", wrong_zones=1.6)
    one, other = (drawn(table, plan, seed=seed)[0] for seed in (8, 9))
    other = [replace(e, file=f"b{e.file}", time_mjd=e.time_mjd + 1) for e in other]

    def change(exposures):
        result = judge_night(exposures, known, limit=LIMIT)
        return next(o for o in result.offsets if o.filter == "G")

    alone, together = change(one), change([*one, *other])
    assert together.odds > alone.odds
    assert together.change_sigma_zones < alone.change_sigma_zones


def test_without_a_table_no_filter_is_asked(table, equipment):
    exposures, _, _ = drawn(table, PLAN, seed=3)
    assert judge_night(exposures[:6], equipment, limit=LIMIT).offsets == ()


def test_a_two_sided_belief_has_a_size_and_no_side():
    weight = np.zeros(DEFOCUS_ZONES.size)
    weight[[np.argmin(np.abs(DEFOCUS_ZONES - z)) for z in (-2.0, 2.0)]] = 0.5
    size, sigma, sided = signed(weight)
    assert not sided
    assert size == pytest.approx(2.0)
    assert sigma < 0.1


def test_a_bad_call_is_a_value_error(table, equipment):
    exposures, _, _ = drawn(table, replace(PLAN, frames=2), seed=1)
    with pytest.raises(ValueError, match="'exposures' must hold"):
        judge_night([], equipment)
    with pytest.raises(ValueError, match="'limit' must exceed 0"):
        judge_night(exposures, equipment, limit=0.0)


def test_a_lens_with_colour_that_no_sweep_has_shown_tells_nothing(table, equipment):
    """The halo of a drawn achromat (f/10) lifts ln shape by 0.29 through L, 0.46 through B."""
    exposures, _, _ = drawn(table, replace(PLAN, frames=6, order=("L", "G"), block=2), seed=3)
    halo = [replace(e, shape=e.shape * (1.33 if e.filter == "L" else 1.02)) for e in exposures]
    result = judge_night(halo, equipment, limit=LIMIT)
    assert {frame.state for frame in result.frames} == {"unclear"}
    assert np.isnan([(one.probability_lost, one.growth) for one in result.frames]).all()
    assert [one.code for one in result.notices] == ["lens_with_colour"]
    assert result.rule is None
    assert judge_night(exposures, equipment, limit=LIMIT).notices == ()


def test_the_rule_is_by_the_filters_that_tell(table, equipment):
    exposures, _, _ = drawn(table, replace(PLAN, frames=6, order=("L", "G"), block=2), seed=3)
    rules = [
        judge_night(exposures, one, limit=LIMIT).rule
        for one in (equipment, replace(equipment, unlike=("G",)))
    ]
    assert rules[1].limit_zones == pytest.approx(rules[0].limit_zones, rel=0.2)
    assert np.isfinite(rules[1].share_lost)
