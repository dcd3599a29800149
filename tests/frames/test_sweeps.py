"""Whole nights cut into sweeps, whatever the order in which they were taken."""

from dataclasses import replace

import pytest
from hypothesis import given, settings, strategies as st

from starsize import find_sweeps
from starsize.filters import canonical_filter
from starsize.frames import set_aside_single
from starsize.frames.frame import SINGLE

UP = list(range(10000, 14500, 500))
DOWN = UP[::-1]


def shots(*parts, cadence=0.5, start=0.0):
    """(filter, positions, pause in minutes before it) one after the other."""
    found, clock = [], start
    for name, positions, pause in parts:
        clock += pause
        for position in positions:
            found.append((name, position, clock))
            clock += cadence
    return found


def shown(sweeps):
    return [(s.id, s.approach, [f.position_steps for f in s.frames]) for s in sweeps]


def test_seven_filters_one_after_the_other(make_sweep_files):
    names = ("L", "R", "G", "B", "Ha", "SII", "OIII")
    files = make_sweep_files(shots(*((name, UP, 1) for name in names)))
    sweeps, notices = find_sweeps(files)
    assert shown(sweeps) == [(f"{name}-1", "outward", UP) for name in names]
    assert all(s.timed for s in sweeps)
    assert notices == ()


def test_a_repeated_filter_makes_a_second_sweep(make_sweep_files):
    files = make_sweep_files(shots(("L", UP, 0), ("R", UP, 1), ("L", UP, 1)))
    sweeps, _ = find_sweeps(files)
    assert shown(sweeps) == [("L-1", "outward", UP), ("R-1", "outward", UP), ("L-2", "outward", UP)]


def test_the_same_filter_twice_in_a_row_is_cut_at_the_jump_back(make_sweep_files):
    sweeps, _ = find_sweeps(make_sweep_files(shots(("L", UP, 0), ("L", UP, 0))))
    assert shown(sweeps) == [("L-1", "outward", UP), ("L-2", "outward", UP)]


@pytest.mark.parametrize("back", [DOWN, DOWN[1:]])
def test_out_and_back_are_two_sweeps(make_sweep_files, back):
    sweeps, _ = find_sweeps(make_sweep_files(shots(("L", UP, 0), ("L", back, 0))))
    assert shown(sweeps) == [("L-1", "outward", UP), ("L-2", "inward", back)]


def test_out_and_back_with_another_filter_in_between(make_sweep_files):
    files = make_sweep_files(shots(("L", UP, 0), ("R", UP, 1), ("L", DOWN, 1)))
    sweeps, _ = find_sweeps(files)
    assert shown(sweeps) == [
        ("L-1", "outward", UP),
        ("R-1", "outward", UP),
        ("L-2", "inward", DOWN),
    ]


def test_steps_may_count_inward(make_sweep_files):
    sweeps, _ = find_sweeps(make_sweep_files(shots(("L", UP, 0))), outward="decreasing")
    assert sweeps[0].approach == "inward"


def test_repeated_exposures_stay_together(make_sweep_files):
    positions = [p for p in UP for _ in range(3)]
    back = positions[::-1]
    sweeps, _ = find_sweeps(make_sweep_files(shots(("L", positions, 0), ("L", back, 0))))
    assert shown(sweeps) == [("L-1", "outward", positions), ("L-2", "inward", back)]


@pytest.mark.parametrize("each", [1, 3])
@pytest.mark.parametrize("cadence", [0.2, 1.0, 5.0])
def test_filters_changed_at_every_position(make_sweep_files, each, cadence):
    parts = [(name, [p] * each, 0) for p in UP for name in ("L", "R", "G", "B", "Ha", "SII")]
    sweeps, _ = find_sweeps(make_sweep_files(shots(*parts, cadence=cadence)))
    positions = [p for p in UP for _ in range(each)]
    assert {s.id for s in sweeps} == {"L-1", "R-1", "G-1", "B-1", "Ha-1", "SII-1"}
    assert all(shown([s])[0][1:] == ("outward", positions) for s in sweeps)


def test_several_nights_in_one_folder_stay_apart(make_sweep_files):
    night = [("L", UP, 0), ("R", UP, 1)]
    files = make_sweep_files(shots(*night) + shots(*night, start=24 * 60))
    assert [s.id for s in find_sweeps(files)[0]] == ["L-1", "R-1", "L-2", "R-2"]


def test_nights_that_meet_at_one_position_stay_apart(make_sweep_files):
    files = make_sweep_files(shots(("L", UP, 0)) + shots(("L", DOWN, 0), start=24 * 60))
    assert shown(find_sweeps(files)[0]) == [("L-1", "outward", UP), ("L-2", "inward", DOWN)]


def test_a_long_pause_ends_a_sweep_unless_the_positions_go_on(make_sweep_files):
    files = make_sweep_files(shots(("L", UP[:5], 0), ("L", UP[5:], 40)))
    assert shown(find_sweeps(files)[0]) == [("L-1", "outward", UP)]
    again = make_sweep_files(shots(("L", UP[:5], 0), ("L", UP[3:], 40)))
    assert [s.id for s in find_sweeps(again)[0]] == ["L-1", "L-2"]


@pytest.mark.parametrize(("lost", "sweeps"), [(0, 1), (1, 1), (2, 2)])
def test_a_sweep_is_resumed_within_two_spacings(make_sweep_files, lost, sweeps):
    files = make_sweep_files(shots(("L", UP[:5], 0), ("L", UP[5 + lost :], 40)))
    assert len(find_sweeps(files)[0]) == sweeps


def test_the_frame_before_the_pause_may_be_taken_again(make_sweep_files):
    files = make_sweep_files(shots(("L", UP[:5], 0), ("L", UP[4:], 40)))
    assert shown(find_sweeps(files)[0]) == [("L-1", "outward", [*UP[:5], *UP[4:]])]


def test_ordinary_exposures_between_sweeps_stand_apart(make_sweep_files):
    files = make_sweep_files(shots(("L", UP, 0), ("L", [12000] * 8, 0), ("L", UP, 0)))
    assert shown(find_sweeps(files)[0]) == [
        ("L-1", "outward", UP),
        ("L-2", "unknown", [12000] * 8),
        ("L-3", "outward", UP),
    ]


def test_a_sweep_continued_further_after_another_filter(make_sweep_files):
    files = make_sweep_files(shots(("L", UP[:5], 0), ("R", UP, 1), ("L", UP[5:], 1)))
    assert [s.id for s in find_sweeps(files)[0]] == ["L-1", "R-1"]


def test_a_shuffled_sweep_is_one_and_mixed(make_sweep_files):
    order = [12000, 10000, 13500, 11000, 14000, 10500, 12500, 11500, 13000]
    sweeps, notices = find_sweeps(make_sweep_files(shots(("L", order, 0), ("R", UP, 1))))
    assert shown(sweeps) == [("L-1", "mixed", order), ("R-1", "outward", UP)]
    assert [n.code for n in notices] == ["mixed_order"]


@pytest.mark.parametrize(
    "places", [[4, 3, 2, 0, 8, 1, 7, 6, 5], [2, 4, 4, 2, 1, 3, 1, 0, 3, 0]], ids=["once", "twice"]
)
def test_shuffled_sweeps_are_told_apart_by_the_other_filter_between_them(make_sweep_files, places):
    mixed = [10000 + 500 * place for place in places]
    quick = shots(("L", mixed, 0), ("R", UP[:4], 0.2), ("L", mixed, 0.2), cadence=0.1)
    sweeps, _ = find_sweeps(make_sweep_files(quick))
    assert [(s.filter, len(s.frames)) for s in sweeps] == [
        ("L", len(mixed)), ("R", 4), ("L", len(mixed)),
    ]  # fmt: skip


def test_a_hiccup_of_a_minute_among_quick_frames_ends_no_sweep(make_sweep_files):
    quick = shots(("L", UP[:1], 0), ("L", UP[1:], 1), cadence=0.05)
    sweeps, _ = find_sweeps(make_sweep_files(quick))
    assert shown(sweeps) == [("L-1", "outward", UP)]


def test_two_lone_frames_of_two_nights_are_no_sweep(make_sweep_files):
    files = make_sweep_files([("Ha", 10000, 0), ("Ha", 10500, 60 * 24)])
    assert [len(sweep.frames) for sweep in find_sweeps(files)[0]] == [1, 1]


def test_a_frame_taken_again_does_not_break_the_sweep(make_sweep_files):
    order = [10000, 10500, 11000, 12000, 11500, 12500, 13000, 13500, 14000]
    sweeps, _ = find_sweeps(make_sweep_files(shots(("L", order, 0))))
    assert shown(sweeps) == [("L-1", "outward", order)]


def test_positions_read_back_with_scatter(make_sweep_files):
    order = [p + d for p in UP for d in (0, 3, -2)]
    sweeps, _ = find_sweeps(make_sweep_files(shots(("L", order, 0))))
    assert shown(sweeps) == [("L-1", "outward", order)]


def test_stray_frames_are_sweeps_of_their_own_and_never_lost(make_sweep_files):
    files = make_sweep_files(
        shots(("L", [12000], 0), ("L", UP, 0), ("L", [12000], 0), ("R", [1], 0))
    )
    sweeps, _ = find_sweeps(files)
    assert shown(sweeps) == [
        ("L-1", "unknown", [12000]),
        ("L-2", "outward", UP),
        ("L-3", "unknown", [12000]),
        ("R-1", "unknown", [1]),
    ]


def test_a_few_positions_without_order_are_one_short_sweep(make_sweep_files):
    sweeps, _ = find_sweeps(make_sweep_files(shots(("L", [10000, 10500], 0))))
    assert shown(sweeps) == [("L-1", "outward", [10000, 10500])]


def test_pictures_of_different_size_are_not_mixed(make_sweep_files):
    files = make_sweep_files(shots(("L", UP, 0))) + make_sweep_files(
        shots(("L", UP, 10)), binning=2
    )
    sweeps, notices = find_sweeps(files)
    assert [s.id for s in sweeps] == ["L-1", "L-2"]
    assert [n.code for n in notices] == ["frames_differ"]


def test_two_cameras_at_work_at_the_same_time_are_not_mixed(make_sweep_files):
    one = make_sweep_files(shots(("L", UP, 0)), camera="left")
    two = make_sweep_files(shots(("L", DOWN, 0.1)), camera="right")
    sweeps, (notice,) = find_sweeps(one + two)
    assert shown(sweeps) == [("L-1", "outward", UP), ("L-2", "inward", DOWN)]
    assert "left 10 x 10, right 10 x 10" in notice.text


def test_a_colour_camera_without_a_filter(make_sweep_files):
    files = make_sweep_files(shots((None, UP, 0)), bayer="RGGB")
    (sweep,), _ = find_sweeps(files)
    assert (sweep.id, sweep.filter) == ("colour-1", "colour")


def test_two_widths_under_one_name_are_pointed_out(make_sweep_files):
    from dataclasses import replace

    files = make_sweep_files(shots(("Ha", UP, 0)))
    written = [
        replace(f, facts=replace(f.facts, filter_written=f"Ha {3 + 4 * (i % 2)}nm"))
        for i, f in enumerate(files)
    ]
    _, (notice,) = find_sweeps(written)
    assert notice.code == "filter_spellings"
    assert "Ha 3nm, Ha 7nm" in notice.text


def test_without_times_the_order_is_that_of_the_names_and_said_so(make_sweep_files):
    parts = shots(("L", UP, 0), ("L", DOWN[1:], 0), ("R", UP, 0))
    files = make_sweep_files([(name, position, None) for name, position, _ in parts])
    sweeps, notices = find_sweeps(files[::-1])
    assert shown(sweeps) == [
        ("L-1", "unknown", UP),
        ("L-2", "unknown", DOWN[1:]),
        ("R-1", "unknown", UP),
    ]
    assert not any(s.timed for s in sweeps)
    assert [n.code for n in notices] == ["frame_times_missing"] * 2
    assert notices[0].text == (
        "L: 17 of 17 frames have no time (f_1.fits, for one), so the frames are taken in order of "
        "file name, and the direction in which the focuser moved is not known."
    )


def test_one_filter_without_times_leaves_the_others_alone(make_sweep_files):
    files = make_sweep_files(shots(("L", UP, 0)) + [("R", p, None) for p in UP[:2]])
    sweeps, notices = find_sweeps(files)
    assert [(s.id, s.timed, s.approach) for s in sweeps] == [
        ("L-1", True, "outward"),
        ("R-1", False, "unknown"),
    ]
    assert [n.text[:2] for n in notices] == ["R:"]


def test_a_frame_without_a_time_does_not_cost_the_others_their_order(make_sweep_files):
    files = make_sweep_files([*shots(("L", UP, 0)), ("L", UP[4], None)])
    sweeps, notices = find_sweeps(files)
    assert shown(sweeps) == [("L-1", "outward", UP), ("L-2", "unknown", [UP[4]])]
    assert [n.text for n in notices] == [
        "L: f_10.fits without a time cannot be put in order with the others and stands apart; "
        "state the time in a facts table."
    ]
    kept, left = set_aside_single(files, sweeps)
    assert [s.id for s in left] == ["L-1"]
    assert kept[-1].reason == SINGLE


def test_a_clock_that_stood_still_counts_as_no_time(make_sweep_files):
    files = make_sweep_files([("L", p, 0.0) for p in UP])
    sweeps, notices = find_sweeps(files)
    assert shown(sweeps) == [("L-1", "unknown", UP)]
    assert "the times in the headers are the same" in notices[0].text


def test_frames_with_a_reason_are_left_out(make_sweep_files):
    from dataclasses import replace

    files = make_sweep_files(shots(("L", UP, 0)))
    files = (replace(files[0], reason="a dark frame"), *files[1:])
    assert len(find_sweeps(files)[0][0].frames) == len(UP) - 1


def test_nothing_in_nothing_out():
    assert find_sweeps(()) == ((), ())


NIGHT = shots(("L", UP, 0), ("R", UP, 1), ("L", DOWN, 1), ("Ha", UP, 1), ("L", UP, 3), cadence=0.4)


@settings(max_examples=30, deadline=None)
@given(order=st.permutations(range(len(NIGHT))))
def test_the_order_in_which_files_are_given_does_not_matter(order):
    from starsize.frames import FrameFacts, InputFile

    def file(i):
        name, position, minutes = NIGHT[i]
        from pathlib import Path

        path = Path(f"night/{(i * 7919) % 1000}.fits")  # names say nothing about time
        facts = FrameFacts(path=path, filter=name, position_steps=position,
                           mid_time_mjd=61000 + minutes / 1440)  # fmt: skip
        return InputFile(path, facts)

    plain = find_sweeps([file(i) for i in range(len(NIGHT))])
    assert find_sweeps([file(i) for i in order]) == plain
    assert [s.id for s in plain[0]] == ["L-1", "R-1", "L-2", "Ha-1", "L-3"]
    assert [s.approach for s in plain[0]] == ["outward", "outward", "inward", "outward", "outward"]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.sampled_from(["L", "R", "Ha"]),
            st.integers(0, 20),
            st.one_of(st.none(), st.floats(0, 3000)),
        ),
        max_size=30,
    )
)
def test_every_usable_frame_is_in_exactly_one_sweep(frames):
    from pathlib import Path

    from starsize.frames import FrameFacts, InputFile

    files = [
        InputFile(
            Path(f"{i}.fits"),
            FrameFacts(path=Path(f"{i}.fits"), filter=name, position_steps=float(position),
                       mid_time_mjd=None if minutes is None else 61000 + minutes / 1440),
        )
        for i, (name, position, minutes) in enumerate(frames)
    ]  # fmt: skip
    sweeps, _ = find_sweeps(files)
    found = sorted(str(f.path) for s in sweeps for f in s.frames)
    assert found == sorted(str(f.path) for f in files)
    assert len({s.id for s in sweeps}) == len(sweeps)
    assert all(f.filter == s.filter for s in sweeps for f in s.frames)


def test_frames_of_two_nights_in_one_call_are_told(tmp_path):
    from starsize.frames import FrameFacts, InputFile

    def files(days):
        return [
            InputFile(
                tmp_path / f"{day}-{i}.fits",
                FrameFacts(path=tmp_path / f"{day}-{i}.fits", filter="L",
                           position_steps=float(i), mid_time_mjd=day + i / 1440),
            )
            for day in days
            for i in range(5)
        ]  # fmt: skip

    codes = {notice.code for notice in find_sweeps(files([61000.2]))[1]}
    assert "several_nights" not in codes
    (told,) = [n for n in find_sweeps(files([61000.2, 61002.2]))[1] if n.code == "several_nights"]
    assert "from 2 nights" in told.text


def test_a_single_long_exposure_is_no_sweep(make_sweep_files):
    files = make_sweep_files([*shots(("L", UP, 0), ("R", UP, 1)), ("Ha", 12000, 30)])
    told, kept = set_aside_single(files, find_sweeps(files)[0])
    assert [s.id for s in kept] == ["L-1", "R-1"]
    assert [f.reason for f in told] == [None] * (len(files) - 1) + [SINGLE]


def test_frames_of_which_none_is_in_company_stay(make_sweep_files):
    files = make_sweep_files([("L", 10000, 0), ("R", 11000, 1)])
    sweeps, _ = find_sweeps(files)
    assert set_aside_single(files, sweeps) == (files, sweeps)


@pytest.mark.parametrize(
    ("written", "told"),
    [(("Ha 3", "Ha 7nm"), True), (("R (1)", "R (2)"), True), (("O3", "OIII 3nm"), False)],
)
def test_numbers_behind_one_name_are_pointed_out(make_sweep_files, written, told):
    name = canonical_filter(written[0])
    files = make_sweep_files(shots((name, UP, 0), (name, UP, 1)))
    files = [
        replace(f, facts=replace(f.facts, filter_written=written[i % 2]))
        for i, f in enumerate(files)
    ]
    codes = [notice.code for notice in find_sweeps(files)[1]]
    assert ("filter_spellings" in codes) is told
