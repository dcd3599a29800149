"""The whole comparison, and everything a person's night can lack."""

from dataclasses import replace

import numpy as np
import pytest
from sweep_nights import ONCE, REFRACTOR, NightOfSweeps, answered_fit, curve_set, refused_fit

from starsize import compare_sweeps
from starsize.curves import CurveSet
from starsize.errors import InputError
from starsize.estimate import Estimate
from starsize.setup import Focuser, Setup

COOLING = {"steps_per_degC": -6.0, "warm": 12.0, "cold": 8.0}
EMPTY = CurveSet(fits=(), covariance_steps2=np.zeros((0, 0)))


def compared(night=None, setup=REFRACTOR, seed=1, **options):
    curves = (night or NightOfSweeps(**COOLING)).curves(np.random.default_rng(seed))
    return compare_sweeps(curves, setup=setup, **options)


def codes(comparison):
    return [n.code for n in comparison.notices]


def test_a_night_gives_the_whole_table():
    found = compared()
    assert [r.filter for r in found.rows] == ["L", "R", "G", "B", "Ha", "SII", "OIII"]
    assert found.filters == ("L", "R", "G", "B", "Ha", "SII", "OIII")
    row = next(r for r in found.rows if r.filter == "OIII")
    assert row.offset_steps == pytest.approx(80, abs=8)
    assert row.move_steps == round(row.offset_steps)
    assert row.offset_um == pytest.approx(4 * row.offset_steps)
    # 2 lambda N^2 = 2 x 0.5007 x 49 um, steps of 4 um.
    assert row.zone_steps == pytest.approx(2 * 0.5007 * 49 / 4)
    assert (row.sweeps, row.frames, row.status, row.action) == (1, 9, "measured", "move")
    assert found.rows[0].sweeps == 3
    assert found.temperature.source == "frames"
    assert found.temperature.steps_per_degC.value == pytest.approx(-6, abs=2)
    assert found.temperature.reference_degC == pytest.approx(10)
    assert found.focuser.repeatability_steps.value > 0
    assert found.birge_ratio > 0


def test_sigmas_covariance_and_rows_agree():
    found = compared()
    by_filter = {r.filter: r for r in found.rows}
    sigma = [by_filter[f].offset_sigma_steps for f in found.filters]
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance_steps2)), sigma, atol=1e-9)
    assert np.all(np.array(found.half95_steps)[1:] > 1.9 * np.array(sigma)[1:])
    assert found.half95_steps[0] == 0


def test_focus_counted_inward_turns_the_micrometres_not_the_moves():
    inward = replace(REFRACTOR, focuser=Focuser(um_per_step=4.0, outward="decreasing"))
    out, turned = compared(), compared(setup=inward)
    a, b = ({r.filter: r for r in c.rows}["OIII"] for c in (out, turned))
    assert a.move_steps == b.move_steps
    assert a.offset_um == pytest.approx(-b.offset_um)
    assert turned.colour.odd_filters[0].extra_glass_mm.value < 0


@pytest.mark.parametrize(
    "curves", [EMPTY, curve_set([refused_fit("L"), refused_fit("R")])], ids=["none", "refused"]
)
def test_where_nothing_answers_every_filter_is_refused_with_its_reason(curves):
    found = compare_sweeps(curves, setup=REFRACTOR)
    assert [r.status for r in found.rows] == ["refused"] * len(curves.fits)
    assert all("continue inward" in r.reason for r in found.rows)
    assert found.filters == ()
    assert found.covariance_steps2.shape == (0, 0)
    assert found.colour.verdict == "cannot tell"
    assert found.reference == "L"
    assert codes(found) == ["nothing_measured"]


def test_one_filter_only_is_its_own_reference():
    found = compared(NightOfSweeps(order=("Ha",)))
    assert found.reference == "Ha"
    assert found.rows[0].offset_steps == 0
    assert found.rows[0].action == "ignore"
    assert "only Ha was measured" in found.colour.reason
    assert found.covariance_steps2.tolist() == [[0.0]]


def test_a_reference_that_was_not_found_is_the_persons_mistake():
    with pytest.raises(InputError, match="reference 'V' is not among the filters found: L, R, G"):
        compared(reference="V")


def test_a_refused_reference_gives_way_and_says_so():
    fits = NightOfSweeps(order=("R", "G", "R")).fits(np.random.default_rng(0))
    found = compare_sweeps(curve_set([refused_fit("L"), *fits]), setup=REFRACTOR, reference="L")
    assert found.reference == "R"
    assert "reference_refused" in codes(found)
    by_filter = {r.filter: r for r in found.rows}
    assert by_filter["L"].status == "refused"
    assert by_filter["L"].offset_steps is None
    assert by_filter["G"].reference == "R"


def test_without_a_step_size_there_are_no_micrometres_and_no_zones():
    found = compared(setup=Setup())
    assert all(r.offset_um is None and r.zone_steps is None for r in found.rows)
    assert all(p.shift_um is None for p in found.colour.points)
    assert found.colour.verdict == "cannot tell"
    assert {r.action for r in found.rows[1:]} <= {"move", "refocus"}


def test_the_step_size_given_wins_over_the_setups():
    found = compared(um_per_step=Estimate(2.0, 0.02), um_per_step_source="slope")
    assert found.focuser.um_per_step.value == 2.0
    assert found.focuser.um_per_step_source == "slope"
    row = found.rows[1]
    assert row.offset_um == pytest.approx(2 * row.offset_steps)
    assert compared().focuser.um_per_step_source == "setup"


def test_a_filter_of_unknown_wavelength_gets_an_offset_but_no_zone():
    night = NightOfSweeps(order=("L", "R", "X", "L"), offsets={"L": 0.0, "R": 2.0, "X": 5.0})
    found = compared(night)
    row = {r.filter: r for r in found.rows}["X"]
    assert row.status == "measured"
    assert row.zone_steps is None
    # Focal ratio and step size are stated: only what lacks is named.
    assert "the zone is not known (it needs wavelength_nm under [filters.X])" in row.reason
    assert len(found.colour.points) == 3


def test_without_repeats_the_drift_is_said_in_words_with_its_numbers():
    found = compared(NightOfSweeps(order=ONCE, **COOLING))
    text = next(n.text for n in found.notices if n.code == "drift_not_separated")
    # 4 degC x 10.3 steps per degC of bound.
    assert "cooled 4.0 degC from L to OIII" in text
    assert "up to 41 steps" in text
    assert "repeat L at the end" in text
    row = {r.filter: r for r in found.rows}["OIII"]
    assert row.action == "refocus"
    assert "cooled 4.0 degC from L to OIII" in row.reason
    assert row.offset_sigma_steps > 41 / 3**0.5
    assert row.offset_half997_steps > 41
    assert found.temperature.steps_per_degC is None
    assert found.temperature.source == "none"
    assert "no_repeats" in codes(found)


def test_a_reference_repeated_in_vain_is_not_asked_to_be_repeated_at_the_end():
    found = compared(NightOfSweeps(warm=12.0, cold=11.0, fit_sigma=20.0))
    text = next(n.text for n in found.notices if n.code == "drift_not_separated")
    assert "sweep L right before and after" in text
    assert "at the end" not in text


def test_neither_thermometer_nor_clock_is_said():
    found = compared(NightOfSweeps(thermometer=False, clock=False, order=ONCE))
    assert "no_temperature" in codes(found)
    assert found.temperature.range_degC is None


def test_a_stated_coefficient_is_reported_even_where_the_night_was_steady():
    stated = replace(REFRACTOR, focuser=Focuser(um_per_step=4.0, steps_per_degC=-5.0))
    found = compared(NightOfSweeps(), setup=stated)
    assert found.temperature.steps_per_degC == Estimate(-5.0, 1.0)
    assert found.temperature.source == "setup"


def test_a_stated_coefficient_that_the_frames_contradict_is_named():
    wrong = Focuser(um_per_step=4.0, steps_per_degC=6.0, steps_per_degC_sigma=1.0)
    night = NightOfSweeps(order=ONCE * 3, **COOLING)
    # Cooling that returns with each round, so that rounds are no help but filters are.
    found = compared(night, setup=replace(REFRACTOR, focuser=wrong))
    assert found.temperature.source == "frames"
    assert found.temperature.steps_per_degC.value == pytest.approx(-6, abs=1)
    assert "temperature_disagrees" in codes(found)


def test_backlash_is_measured_where_both_directions_were_used():
    ways = ("outward",) * 7 + ("inward",) * 7
    found = compared(NightOfSweeps(order=ONCE * 2, approach=ways, backlash=40.0))
    assert found.focuser.backlash_steps.value == pytest.approx(40, abs=4)
    assert compared().focuser.backlash_steps is None


def test_directions_that_go_with_filters_are_not_taken_for_offsets():
    ways = ("outward", "inward", "outward", "inward", "outward", "inward", "outward")
    found = compared(NightOfSweeps(order=ONCE, approach=ways, backlash=40.0))
    row = {r.filter: r for r in found.rows}["R"]
    assert abs(row.offset_steps - 3) < row.offset_sigma_steps
    assert row.action == "refocus"
    assert "approached from opposite sides" in row.reason


def test_one_sweep_whose_direction_nobody_knows_is_said_so():
    ways = ("outward", "mixed", *("outward",) * 5)
    row = {r.filter: r for r in compared(NightOfSweeps(order=ONCE, approach=ways)).rows}["R"]
    assert row.action == "refocus"
    assert "not surely from the same side, which may hold up to 200 steps" in row.reason


def test_a_sweep_of_unknown_direction_is_worth_less_among_known_ones():
    ways = ["outward"] * 7 + ["inward"] * 7
    known = compared(NightOfSweeps(order=ONCE * 2, approach=tuple(ways), backlash=60.0))
    ways[1] = ways[8] = "unknown"
    doubtful = compared(NightOfSweeps(order=ONCE * 2, approach=tuple(ways), backlash=60.0))
    sigma = [c.rows[1].offset_sigma_steps for c in (known, doubtful)]
    # Half of 60 steps each way, over two sweeps.
    assert sigma[1] > 30 / np.sqrt(2) * 0.9 > 3 * sigma[0]


def test_two_nights_agree_although_the_camera_was_moved_between_them():
    rng = np.random.default_rng(5)
    first = NightOfSweeps().fits(rng)
    second = [
        replace(f, best_steps=f.best_steps + 300)
        for f in NightOfSweeps(first_mjd=60001.8).fits(rng)
    ]
    found = compare_sweeps(curve_set(first + second), setup=REFRACTOR)
    rows = {r.filter: r for r in found.rows}
    assert rows["OIII"].offset_steps == pytest.approx(80, abs=4)
    assert rows["OIII"].sweeps == 2
    assert rows["OIII"].offset_sigma_steps < compared(NightOfSweeps()).rows[-1].offset_sigma_steps


def test_repeats_that_scatter_are_noticed_in_plain_words():
    night = NightOfSweeps(order=ONCE * 3, fit_sigma=0.3, scatter=6.0)
    found = compared(night)
    assert found.birge_ratio > 5
    text = next(n.text for n in found.notices if n.code == "repeats_scatter")
    assert "repeats scatter" in text
    assert "Birge" not in text
    assert found.focuser.repeatability_steps.value == pytest.approx(6, rel=0.5)


def test_a_slip_is_seen_where_repeats_allow_it():
    fits = NightOfSweeps(order=ONCE * 3, scatter=0.5).fits(np.random.default_rng(2))
    fits[15] = replace(fits[15], best_steps=fits[15].best_steps + 60)
    found = compare_sweeps(curve_set(fits), setup=REFRACTOR)
    # One sweep that stands off: away before it and back after it.
    away, back = found.focuser.slips
    assert (away.after_sweep, away.before_sweep, back.after_sweep) == ("L-3", "R-3", "R-3")
    assert away.steps.value == pytest.approx(60, abs=4)
    assert back.steps.value == pytest.approx(-60, abs=4)
    assert "slip" in codes(found)
    assert compared(NightOfSweeps(order=ONCE * 3)).focuser.slips == ()
    assert compared(NightOfSweeps(order=ONCE)).focuser.slips is None


def test_a_singular_joint_covariance_is_no_obstacle():
    fits = [answered_fit(100.0 + i, 1.0, id=f"{f}-1", filter=f) for i, f in enumerate("LRG")]
    found = compare_sweeps(curve_set(fits, covariance=np.ones((3, 3))), setup=REFRACTOR)
    assert np.isfinite([r.offset_sigma_steps for r in found.rows]).all()


def untidy_night(rng):
    """Anything a person's folder may hold: gaps, turns, unknown filters, refused sweeps."""
    names = rng.choice(["L", "R", "G", "B", "Ha", "V", "SII", "OIII"], rng.integers(1, 9))
    made = []
    for i, name in enumerate(names):
        if rng.random() < 0.15:
            made.append(refused_fit(str(name)))
            continue
        made.append(
            answered_fit(
                9000 + rng.normal(0, 30),
                rng.choice([0.1, 1.0, 40.0]),
                id=f"{name}-{i}",
                filter=str(name),
                dof=rng.choice([np.inf, np.nan, 2.0]),
                temperature_degC=rng.choice([np.nan, 10.0, 10.0, 7.5, rng.uniform(-5, 20)]),
                time_mjd=rng.choice([np.nan, 60000.8 + i / 50, 60001.8 + i / 50]),
                approach=str(rng.choice(["inward", "outward", "mixed", "unknown"])),
            )
        )
    return curve_set(made)


@pytest.mark.parametrize("setup", [REFRACTOR, Setup()], ids=["known", "unknown"])
def test_no_untidy_night_is_too_much(setup):
    rng = np.random.default_rng(12)
    for _ in range(25):
        curves = untidy_night(rng)
        found = compare_sweeps(curves, setup=setup)
        assert {r.filter for r in found.rows} == {f.curve.filter for f in curves.fits}
        for row in found.rows:
            assert row.reason
            if row.status == "measured":
                assert np.isfinite([row.offset_steps, row.offset_sigma_steps]).all()
                assert row.filter == found.reference or row.offset_sigma_steps > 0
        assert np.isfinite(found.covariance_steps2).all()
