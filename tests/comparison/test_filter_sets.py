"""Old filter set against new."""

import dataclasses

import numpy as np
import pytest
from sweep_nights import OFFSETS, REFRACTOR, NightOfSweeps, measured_set

from starsize import compare_filter_sets, compare_sweeps
from starsize.comparison import MeasuredSet, change_reference
from starsize.errors import InputError
from starsize.estimate import Estimate


def a_set(name="old", sigma=1.0, zone=8.0, **offsets):
    filters = ("L", *offsets)
    covariance = np.full((len(filters),) * 2, sigma**2 / 2) + np.eye(len(filters)) * sigma**2 / 2
    covariance[0] = covariance[:, 0] = 0
    return MeasuredSet(
        name=name,
        filters=filters,
        offset_steps=np.array([0.0, *offsets.values()]),
        covariance_steps2=covariance,
        zone_steps=dict.fromkeys(filters, zone) if zone else {},
        um_per_step=Estimate(4.0),
    )


def rows_of(comparison):
    return {row.filter: row for row in comparison.rows}


def test_a_filter_that_changed_is_named_with_its_new_move():
    found = compare_filter_sets(a_set(R=3, Ha=4), a_set("new", R=3.5, Ha=60.2))
    ha, r = rows_of(found)["Ha"], rows_of(found)["R"]
    assert (ha.change, ha.old_move_steps, ha.new_move_steps, ha.update) == ("changed", 4, 60, True)
    assert ha.change_steps == pytest.approx(56.2)
    assert ha.change_sigma_steps == pytest.approx(np.sqrt(2))
    assert ha.change_um == pytest.approx(4 * 56.2)
    assert ha.parfocal == "apart"
    assert (r.change, r.update, r.parfocal, r.significant) == (
        "unchanged",
        False,
        "together",
        False,
    )
    assert (found.verdict, found.parfocal) == ("changed", "apart")
    assert found.verdict_reason == "update the moves of Ha"


def test_a_real_change_inside_the_zone_needs_no_update():
    found = compare_filter_sets(a_set(sigma=0.3, R=0), a_set("new", sigma=0.3, R=3))
    row = rows_of(found)["R"]
    assert (row.change, row.significant, row.update) == ("unchanged", True, False)
    assert found.verdict == "unchanged"


def test_what_is_not_known_well_enough_is_said_so():
    found = compare_filter_sets(a_set(sigma=4, R=0), a_set("new", sigma=4, R=5))
    assert rows_of(found)["R"].change == "cannot tell"
    assert found.verdict == "cannot tell"
    without_zone = compare_filter_sets(a_set(zone=None, R=0), a_set("new", zone=None, R=1))
    assert rows_of(without_zone)["R"].change == "cannot tell"
    assert "focal ratio and step size" in rows_of(without_zone)["R"].reason
    assert without_zone.parfocal == "cannot tell"


def test_a_filter_that_was_not_measured_is_no_zero():
    # The Nordic Optical Telescope's offset list warns that a 0 in it may mean "not measured"; its
    # r' row reads 0 +- 25. A missing filter here stays missing.
    old = a_set(R=40)
    new = MeasuredSet(
        name="new",
        filters=("L",),
        offset_steps=np.zeros(1),
        covariance_steps2=np.zeros((1, 1)),
        refused={"R": "the minimum is not inside the sweep"},
    )
    row = rows_of(compare_filter_sets(old, new))["R"]
    assert (row.change, row.new_offset_steps, row.new_move_steps) == ("cannot tell", None, None)
    assert "the minimum is not inside the sweep" in row.reason


def test_a_filter_refused_in_the_new_set_and_absent_from_the_old_has_no_move():
    new = dataclasses.replace(a_set("new", R=3), refused={"G": "too few positions"})
    row = rows_of(compare_filter_sets(a_set(R=3), new))["G"]
    assert (row.change, row.new_move_steps, row.update) == ("cannot tell", None, None)
    assert "too few positions" in row.reason


def test_filters_only_in_one_set_are_listed():
    found = rows_of(compare_filter_sets(a_set(R=3), a_set("new", OIII=50)))
    assert found["R"].change == "only in old"
    assert found["OIII"].change == "only in new"
    assert found["OIII"].update
    assert "+50 steps" in found["OIII"].reason


def test_a_changed_reference_shows_as_the_same_change_in_all_others():
    found = compare_filter_sets(a_set(R=3, G=-2, B=6), a_set("new", R=43, G=38, B=46))
    assert [n.code for n in found.notices] == ["reference_changed"]
    assert "the reference L" in found.notices[0].text


def test_another_step_size_or_sense_is_converted():
    new = dataclasses.replace(a_set("new", R=20), um_per_step=Estimate(2.0, 0.01))
    found = compare_filter_sets(a_set(R=10), new)
    assert rows_of(found)["R"].change_steps == pytest.approx(0)
    assert [n.code for n in found.notices] == ["step_size_changed"]
    flipped = dataclasses.replace(a_set("new", R=-10), outward="decreasing")
    assert rows_of(compare_filter_sets(a_set(R=10), flipped))["R"].change_steps == pytest.approx(0)


def test_a_set_just_measured_keeps_the_sense_of_the_count():
    counts_in = dataclasses.replace(
        REFRACTOR, focuser=dataclasses.replace(REFRACTOR.focuser, outward="decreasing")
    )
    found = [
        compare_sweeps(NightOfSweeps(offsets=offsets).curves(rng), setup=counts_in)
        for rng in [np.random.default_rng(3)]
        for offsets in ({**OFFSETS}, {**OFFSETS, "OIII": 40.0})
    ]
    old, new = (measured_set(c, name=n) for c, n in zip(found, ("old", "new"), strict=True))
    row = rows_of(compare_filter_sets(old, new))["OIII"]
    # 40 steps of 4 um less, counted inwards: best focus lies further out.
    assert row.change_um == pytest.approx(160, abs=12)
    assert new.outward == "decreasing"


def test_sets_without_a_common_filter_are_refused():
    other = MeasuredSet(
        name="new", filters=("V",), offset_steps=np.zeros(1), covariance_steps2=np.zeros((1, 1))
    )
    with pytest.raises(InputError, match="old and new have no measured filter in common"):
        compare_filter_sets(a_set(R=1), other)


# ACAM focus offsets (Isaac Newton Group web page): d in mm = -0.0045 t + C with the thickness t in
# mm, printed relative to R of 5 mm for t = 3 5 7 9 11 13.
ACAM_C = {"U": 0.016, "B": 0.028, "V": 0.002, "R": -0.027, "I": -0.055, "Z": -0.063}
ACAM_TABLE = {
    "U": (0.05, 0.04, 0.03, 0.03, 0.02, 0.01),
    "B": (0.06, 0.06, 0.05, 0.04, 0.03, 0.02),
    "V": (0.04, 0.03, 0.02, 0.01, 0.00, -0.01),
    "R": (0.01, 0.00, -0.01, -0.02, -0.03, -0.04),
    "I": (-0.02, -0.03, -0.04, -0.05, -0.06, -0.06),
    "Z": (-0.03, -0.04, -0.05, -0.05, -0.06, -0.07),
}
ACAM_MM = (3, 5, 7, 9, 11, 13)


def acam():
    """All 36 filters as one measured set whose reference is U of 3 mm."""
    focus = {(b, t): -0.0045 * t + c for b, c in ACAM_C.items() for t in ACAM_MM}
    names = tuple(f"{b}{t}" for b, t in focus)
    offsets = np.array(list(focus.values())) - focus["U", 3]
    return MeasuredSet(
        name="ACAM",
        filters=names,
        offset_steps=offsets,
        covariance_steps2=np.zeros((36, 36)),
    )


def test_any_reference_gives_the_printed_table_of_acam():
    table = change_reference(acam(), "R5")
    found = dict(zip(table.filters, table.offset_steps, strict=True))
    for band, printed in ACAM_TABLE.items():
        for thickness, value in zip(ACAM_MM, printed, strict=True):
            assert found[f"{band}{thickness}"] == pytest.approx(value, abs=0.0051)


def test_offsets_close_between_any_three_filters_of_acam():
    for a, b, c in (("U5", "V5", "R5"), ("B3", "I13", "Z7"), ("V9", "R3", "U11")):
        from_b, from_c = (change_reference(acam(), ref) for ref in (b, c))
        at = {
            ref: dict(zip(s.filters, s.offset_steps, strict=True))
            for ref, s in ((b, from_b), (c, from_c))
        }
        assert at[b][a] + at[c][b] == pytest.approx(at[c][a], abs=1e-12)


def test_changing_the_reference_carries_the_covariance_along():
    night = NightOfSweeps().curves(np.random.default_rng(3))
    from_l = measured_set(compare_sweeps(night, setup=REFRACTOR), name="L")
    from_r = compare_sweeps(night, setup=REFRACTOR, reference="R")
    changed = change_reference(from_l, "R")
    order = [changed.filters.index(f) for f in from_r.filters]
    rows = {row.filter: row.offset_steps for row in from_r.rows}
    np.testing.assert_allclose(
        changed.offset_steps[order], [rows[f] for f in from_r.filters], atol=1e-8
    )
    sigma = np.sqrt(np.diag(changed.covariance_steps2))[order]
    np.testing.assert_allclose(sigma, np.sqrt(np.diag(from_r.covariance_steps2)), rtol=0.03)
    with pytest.raises(ValueError, match=r"'reference' must be one of .*; got 'V'"):
        change_reference(from_l, "V")


def test_few_repeats_behind_a_set_widen_what_it_can_claim():
    plain = a_set("new", R=4.0)
    few = dataclasses.replace(plain, half95_steps=(0.0, 6.0))
    assert (plain.factor95, few.factor95) == (1.96, 6.0)
    assert rows_of(compare_filter_sets(a_set(R=0.0), plain))["R"].significant
    assert not rows_of(compare_filter_sets(a_set(R=0.0), few))["R"].significant
    assert change_reference(few, "R").factor95 == pytest.approx(6.0)
