"""Which way the offset of a filter is off, where the night tells it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from starsize.estimate import Estimate
from starsize.night.chain import Belief
from starsize.night.course import prepare_course
from starsize.night.judge import _ask, _asked, evidence_of, find_offsets, follow, signed
from starsize.night.model import DEFOCUS_ZONES, TRIED_ZONES
from starsize.simulate.long_night import LongNightPlan

from .nights import FILTERS, drawn


def shares(low, out):
    """Weights of the errors tried: 2.4 zones to the one side, and to the other."""
    weight = np.zeros(TRIED_ZONES.size)
    weight[np.argmin(np.abs(TRIED_ZONES + 2.4))] = low
    weight[np.argmin(np.abs(TRIED_ZONES - 2.4))] = out
    return weight


@pytest.mark.parametrize("out", [0.5, 0.15, 0.005])
def test_a_side_that_is_only_likely_is_not_told(out):
    size, sigma, sided = signed(shares(1 - out, out), TRIED_ZONES)
    assert not sided
    assert (size, sigma) == (pytest.approx(2.4), pytest.approx(0.4 / np.sqrt(12)))


def test_a_side_that_is_sure_is_told():
    error, sigma, sided = signed(shares(0.999, 0.001), TRIED_ZONES)
    assert sided
    assert error == pytest.approx(-2.4, abs=3 * sigma)


def test_the_evidence_of_many_frames_is_beyond_exp_and_still_told():
    count = 3
    found = evidence_of(
        Belief(
            coefficient=np.zeros((count, 1)),
            star=np.zeros(count, int),
            offset_zones=TRIED_ZONES[[3, 3, 9]],
            log_prior=np.zeros(count),
            log_evidence=np.array([3000.0, 3000.0, 3001.0]),
            grid=np.zeros((count, 1, 1)),
        )
    )
    assert found[3] == pytest.approx(3000 + np.log(2))
    assert found[9] == pytest.approx(3001)
    assert np.isneginf(np.delete(found, [3, 9])).all()


def test_a_night_that_would_show_nothing_agrees_with_no_table(table, equipment):
    """Radii alone, of eight frames: the air may have made each of them."""
    best = table.best_steps
    known = replace(
        equipment, offset_steps={n: Estimate(best[n] - best["L"], 0.5) for n in ("L", "G")}
    )
    exposures, _, _ = drawn(table, LongNightPlan(frames=8, order=("L", "G"), block=2), seed=7)
    exposures = [replace(one, shape=math.nan, shape_sigma=math.nan) for one in exposures]
    course = prepare_course(exposures, known)
    offsets = find_offsets(course, follow(course))[1]
    assert [one.agrees for one in offsets] == [None, None]


def test_a_lopsided_shape_that_sweeps_only_seemed_to_show_is_hardly_taken_for_a_side(
    table, equipment
):
    """The star is nearly the same on both sides; its table is 1.5 sigma off on either."""
    best, away = table.best_steps, np.minimum(np.abs(DEFOCUS_ZONES), 1.0)
    seeing = math.log(1.06 * table.scene.seeing_um / table.scene.sensor.pixel_um)
    plan = LongNightPlan(frames=24, order=FILTERS, block=4, wrong_filter="G", wrong_zones=2.6)
    exposures, _, _ = drawn(table, plan, seed=7)

    def odds(apart):
        known = replace(
            equipment,
            offset_steps={n: Estimate(best[n] - best["L"], 0.5) for n in FILTERS},
            air=Estimate(1.68, 0.03),
            shape_bias={"G": 0.006 * np.sign(DEFOCUS_ZONES) * away},
            shape_lack={n: np.stack([np.full(away.size, 0.003), apart * away]) for n in FILTERS},
            shape_differs=dict.fromkeys(FILTERS, 0.0),
            swept_seeing=dict.fromkeys(FILTERS, seeing),
        )
        course = prepare_course(exposures, known)
        weight = np.exp(_ask(_asked(course, course.frames(), follow(course), "G"))[1])
        return weight[TRIED_ZONES < 0].sum() / weight[TRIED_ZONES > 0].sum()

    assert odds(0.004) < odds(0.0) / 3
