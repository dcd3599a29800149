"""Slips placed and sized, steady nights left alone, filters that stand elsewhere on one night."""

from dataclasses import replace

import numpy as np
import pytest
from focuser_nights import COOLING, TEN, slip_trial
from sweep_nights import OFFSETS, ONCE, REFRACTOR, NightOfSweeps, curve_set

from starsize import compare_sweeps


def compared(fits):
    return compare_sweeps(curve_set(fits), setup=REFRACTOR)


def moved(fits, which, steps):
    return [
        replace(f, best_steps=f.best_steps + steps) if i in which else f for i, f in enumerate(fits)
    ]


def test_a_slip_of_40_steps_is_put_between_the_right_sweeps_and_harms_no_offset():
    # The 500 runs are in scripts/focuser_trials.py.
    rng = np.random.default_rng(1)
    trials = [slip_trial(rng) for _ in range(60)]
    assert sum(t.right for t in trials) >= 59
    errors = np.array([t.error_steps for t in trials])
    sigmas = np.array([t.sigma_steps for t in trials])
    # 0.1 of 13.5 steps, the zone of L.
    assert np.sqrt(np.mean(errors**2)) < 1.35
    assert np.mean(errors < sigmas) == pytest.approx(0.68, abs=0.1)
    assert np.mean(errors > 3 * sigmas) < 0.02
    # What three of a normal error would hold; three sigmas of Student's t with 4 degrees of
    # freedom hold 97.3 % (JCGM 100:2008, table G.2).
    assert np.all(errors < np.array([t.half997_steps for t in trials]))


@pytest.mark.parametrize("scatter", [0.3, 1.0, 5.0])
def test_steady_nights_raise_no_alarm(scatter):
    rng = np.random.default_rng(3)
    assert not any(slip_trial(rng, slip_steps=0.0, scatter=scatter).seen for _ in range(40))


def test_the_size_of_a_slip_and_its_sigma_are_right():
    night = NightOfSweeps(order=("L", "R") * 5, fit_sigma=0.5, scatter=0.5, **COOLING)
    rng = np.random.default_rng(5)
    for _ in range(10):
        (slip,) = compared(moved(night.fits(rng), range(4, 10), 30.0)).focuser.slips
        assert (slip.after_sweep, slip.before_sweep, slip.between) == ("R-2", "L-3", ())
        assert abs(slip.steps.value - 30) < 3 * slip.steps.sigma < 9


def test_a_slip_that_a_slope_could_feign_is_seen_but_placed_with_care():
    # A step down at the fourth gap is a step up at the eighth on a steeper slope.
    night = NightOfSweeps(order=TEN, fit_sigma=0.5, scatter=0.5, **COOLING)
    (slip,) = compared(
        moved(night.fits(np.random.default_rng(5)), range(4, 10), -25.0)
    ).focuser.slips
    assert slip.after_sweep == "B-1"
    assert {"L-2", "R-2"} <= {*slip.between, slip.before_sweep}


def test_a_filter_that_may_lie_on_either_side_of_a_slip_is_to_be_refocused_and_others_hold():
    # L again and again; R and G once, between the two L that the slip parts.
    order = ("L", "B", "L", "B", "L", "R", "G", "L", "B", "L", "B", "L")
    fits = NightOfSweeps(order=order, fit_sigma=0.5, scatter=0.5).fits(np.random.default_rng(2))
    found = compared(moved(fits, range(6, 12), 40.0))
    (slip,) = found.focuser.slips
    assert (slip.after_sweep, slip.before_sweep) == ("L-3", "L-4")
    assert slip.between == ("R-1", "G-1")
    rows = {r.filter: r for r in found.rows}
    for name in ("R", "G"):
        assert rows[name].action == "refocus"
        assert f"on which side of it {name} was swept cannot be told" in rows[name].reason
    assert rows["B"].offset_steps == pytest.approx(OFFSETS["B"], abs=1.35)
    assert rows["B"].offset_sigma_steps < 1.0


def test_a_steady_drift_is_no_slip():
    night = NightOfSweeps(order=TEN, thermometer=False, steps_per_degC=-6.0, cold=6.0)
    rng = np.random.default_rng(7)
    assert not any(compared(night.fits(rng)).focuser.slips for _ in range(20))


def test_what_nobody_could_see_is_not_denied():
    rng = np.random.default_rng(0)
    assert compared(NightOfSweeps(order=ONCE).fits(rng)).focuser.slips is None
    no_clock = NightOfSweeps(order=ONCE * 3, clock=False).fits(rng)
    assert compared(no_clock).focuser.slips is None
    assert compared(NightOfSweeps(order=ONCE * 3).fits(rng)).focuser.slips == ()


def test_a_filter_that_stands_elsewhere_on_one_night_of_three_is_named_and_counted_there_alone():
    rng = np.random.default_rng(4)
    fits = [f for k in range(3) for f in NightOfSweeps(first_mjd=60000.8 + k).fits(rng)]
    odd = [i for i, f in enumerate(fits) if f.curve.filter == "Ha"][1]
    found = compared(moved(fits, [odd], 50.0))
    (notice,) = [n for n in found.notices if n.code == "night_disagrees"]
    assert notice.text.startswith("Ha stands +")
    assert "on night 2" in notice.text
    row = {r.filter: r for r in found.rows}["Ha"]
    assert row.offset_steps == pytest.approx(OFFSETS["Ha"], abs=4)


def test_a_night_whose_zero_lies_far_from_the_others_did_not_slip():
    rng = np.random.default_rng(5)
    nights = [NightOfSweeps(order=("L", "R", "G", "B"), first_mjd=60000.8 + k) for k in range(10)]
    fits = [night.fits(rng) for night in nights]
    fits = [*moved(fits[0], range(4), -400.0), *(f for night in fits[1:] for f in night)]
    found = compared(fits)
    assert found.focuser.slips == ()
    assert "night_disagrees" not in {n.code for n in found.notices}


def twice_with_a_slip(seed, steps):
    """Every filter twice in one order under even cooling; the slip lies half-way."""
    night = NightOfSweeps(
        order=("L", "R", "G", "B") * 2,
        fit_sigma=0.5,
        scatter=0.5,
        slip_before=4,
        slip_steps=steps,
        **COOLING,
    )
    return compared(night.fits(np.random.default_rng(seed)))


def test_a_slip_hidden_behind_a_slope_is_in_doubt_and_every_offset_holds_it():
    # 40 steps beside the tube's own 14 make a slope of 11 steps per degC, 2.8 times that of an
    # aluminium tube of 700 mm: either may be.
    for seed in range(5):
        found = twice_with_a_slip(seed, -40.0)
        (notice,) = [n for n in found.notices if n.code == "slip_or_drift"]
        assert "L-2, by about -" in notice.text
        assert found.focuser.slips is None
        assert found.temperature.steps_per_degC is None
        for row in found.rows[1:]:
            assert abs(row.offset_steps - OFFSETS[row.filter]) < 3 * row.offset_sigma_steps
        assert found.rows[-1].action == "refocus"


def test_a_slip_hidden_behind_a_slope_that_no_tube_has_is_a_slip():
    # The other way the slope would be 24 steps per degC.
    for seed in range(5):
        (slip,) = twice_with_a_slip(seed, 40.0).focuser.slips
        assert (slip.after_sweep, slip.before_sweep) == ("B-1", "L-2")


def test_an_order_that_hides_a_slip_denies_none_but_keeps_the_offsets_of_a_steady_night():
    found = twice_with_a_slip(1, 0.0)
    assert found.focuser.slips is None
    assert not [n for n in found.notices if n.code == "slip_or_drift"]
    assert all(r.action != "refocus" for r in found.rows)


def test_a_stated_coefficient_unmasks_the_slip():
    night = NightOfSweeps(
        order=("L", "R", "G", "B") * 2, slip_before=4, slip_steps=-40.0, **COOLING
    )
    fits = night.fits(np.random.default_rng(3))
    known = replace(REFRACTOR, focuser=replace(REFRACTOR.focuser, steps_per_degC=-6.0))
    (slip,) = compare_sweeps(curve_set(fits), setup=known).focuser.slips
    assert slip.after_sweep == "B-1"
    assert slip.steps.value == pytest.approx(-40, abs=3 * slip.steps.sigma)
