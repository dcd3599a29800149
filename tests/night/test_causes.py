"""When to focus again: worked by hand."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.night import judge_night
from starsize.night.causes import _with_rule, refocus_rule
from starsize.night.course import prepare_course
from starsize.night.judge import follow
from starsize.simulate.long_night import LongNightPlan

from .nights import drawn


def test_one_focuses_whenever_the_course_has_gone_so_far():
    left, count = _with_rule(np.array([0.0, 0.6, 1.2, 1.8, 2.4, 3.0]), 1.5)
    assert left == pytest.approx([0.0, 0.6, 1.2, 0.0, 0.6, 1.2])
    assert count == 1


STILL = LongNightPlan(
    frames=30, order=("L",), block=30, interval_s=600.0, wander=0.05, start_zones=0.1
)
COOLING = replace(STILL, cooling_degC=6.0, zones_per_degC=0.8)


def roughly_known(equipment):
    return replace(equipment, per_degC=replace(equipment.per_degC, value=9.0, sigma=3.0))


def test_a_cooling_night_supports_a_rule_and_a_still_one_none(table, equipment):
    known = roughly_known(equipment)
    exposures, _, points = drawn(table, COOLING, seed=11)
    night = judge_night(exposures, known)
    rule = night.rule
    # However few nodes a night leaves, the drawn coefficient lies within what is said of it.
    assert abs(night.coefficient.value - 0.8) < 3 * night.coefficient.sigma
    # Defocus that makes the stars 10 % larger, by the drawn star itself, over 0.8 zones a degree.
    night_truth = np.interp(0.1, points.growth, 0.8 * 6.0 * _fall(30))
    assert rule.each_degC == pytest.approx(night_truth / 0.8, rel=0.35)
    assert rule.share_lost_with_rule < rule.share_lost
    assert rule.refocusings >= 1
    still = judge_night(drawn(table, STILL, seed=12)[0], equipment).rule
    assert np.isnan(still.each_degC)


def test_focusing_promises_nothing_for_filters_whose_offset_is_off(table, equipment):
    exposures, _, _ = drawn(table, COOLING, seed=11)
    course = prepare_course(exposures, roughly_known(equipment))
    focus = follow(course)
    off = [replace(frame, defocus_zones=frame.telescope_zones + 3) for frame in focus.frames]
    rule = refocus_rule(course, replace(focus, frames=tuple(off)))
    assert rule.share_lost_with_rule == 1.0


def _fall(count):
    part = np.linspace(0, 1, count)
    return (1 - np.exp(-2 * part)) / (1 - np.exp(-2))
