from dataclasses import replace
from typing import get_args

import pytest

from starsize.comparison.compared import OddFilter
from starsize.conventions import Approach
from starsize.curves import ModelName, Verdict
from starsize.estimate import Estimate
from starsize.reports import report_html
from starsize.reports.words import (
    action_words,
    direction,
    environment,
    grouped_reasons,
    listing,
    sentence,
)
from starsize.setup import Focuser, Setup

SAID = environment(is_text=True).get_template("said.txt").module
OUT_UP = Setup()
OUT_DOWN = Setup(focuser=Focuser(outward="decreasing"))


@pytest.mark.parametrize(
    ("steps", "setup", "way"),
    [(12, OUT_UP, "out"), (-12, OUT_UP, "in"), (12, OUT_DOWN, "in"), (-12, OUT_DOWN, "out")],
)
def test_the_word_follows_the_sense_of_the_count(steps, setup, way):
    assert direction(steps, setup) == way
    assert SAID.move(steps, setup) == f"{steps:+d} steps ({way})"


def test_no_move_has_no_direction():
    assert SAID.move(0, OUT_UP) == "0 steps"
    assert SAID.move(float("nan"), OUT_UP) == "not known"


def test_every_action_has_its_sentence(night):
    said = {row.filter: SAID.change(row, night.setup) for row in night.comparison.rows}
    assert said["R"] == "From L to R, move 12 steps out (+12)."
    assert said["G"].startswith("From L to G, move 1 step in (-1), or leave it.")
    assert said["L"] == "L is the reference: all moves are counted from it."
    assert said["SII"].startswith("From L to SII: not measured, refocus there. The stars still")


def test_an_offset_not_known_well_enough_says_refocus_and_still_gives_the_start(night):
    row = replace(night.comparison.rows[1], action="refocus", reason="known to 30 steps only")
    said = SAID.change(row, night.setup)
    assert said == (
        "From L to R: refocus there, or move 12 steps out (+12) as a start. Known to 30 steps only."
    )


def test_the_lead_tells_all_moves_in_one_breath(night):
    said = SAID.lead(night)
    assert said.startswith("From L to R, move 12 steps out; to B, 20 out; to Ha, 15 out")
    assert "At G, the focuser may stay where L has it." in said
    assert "At SII, refocus" in said


def test_the_headline_counts_what_is_measured(night, nothing_measured, colour_camera):
    assert SAID.headline(colour_camera) == "All 3 colours measured, counted from G."
    assert SAID.headline(night) == "6 of 7 filters measured, counted from L."
    assert SAID.headline(nothing_measured).startswith("None of the filters could be measured")


@pytest.mark.parametrize(
    ("verdict", "cause", "words"),
    [
        ("together", None, "serves all colours"),
        ("apart", "telescope", "the telescope"),
        ("apart", "glass", "the glass of a filter"),
        ("apart", "both", "both the telescope and the glass"),
        ("apart", "unknown", "cannot be told"),
        ("apart", None, "was not examined"),
        ("cannot tell", None, "cannot tell"),
    ],
)
def test_every_verdict_on_colour_has_its_words(night, verdict, cause, words):
    colour = replace(night.comparison.colour, verdict=verdict, cause=cause)
    run = replace(night, comparison=replace(night.comparison, colour=colour))
    assert words in SAID.colour_headline(run)


def test_a_common_position_is_told_as_a_move_from_the_reference_unless_it_is_not_known(night):
    colour = replace(night.comparison.colour, verdict="together")
    run = replace(night, comparison=replace(night.comparison, colour=colour))
    assert SAID.colour_headline(run) == "One focus position serves all colours, 9 steps out from L."
    rows = tuple(
        replace(r, action="refocus") if r.filter == "B" else r for r in run.comparison.rows
    )
    doubtful = replace(run, comparison=replace(run.comparison, rows=rows))
    assert "refocus at B." in SAID.colour_headline(doubtful)


def test_the_numbers_to_enter_are_those_of_the_table_alone_and_the_rule_is_said(night):
    assert SAID.to_enter(night) == "L 0, R +12, G -1, B +20, Ha +15, OIII +85"
    assert "Where it says 'or leave it', 0 would do" in SAID.entering(night)
    assert "refocus" not in SAID.entering(night)


def test_the_rule_is_said_beside_what_leaving_it_costs_too(night):
    rows = tuple(replace(r, growth_if_ignored=Estimate(0.012)) for r in night.comparison.rows)
    run = replace(night, comparison=replace(night.comparison, rows=rows))
    assert "or leave it, costs 1.2 %" in {action_words(row) for row in rows}
    assert "Where it says 'or leave it', 0 would do" in SAID.entering(run)


def test_a_colour_camera_is_not_told_to_move_between_its_colours(colour_camera):
    rows = tuple(replace(r, action="refocus") for r in colour_camera.comparison.rows)
    run = replace(colour_camera, comparison=replace(colour_camera.comparison, rows=rows))
    assert SAID.to_enter(run) == ""
    assert SAID.lead(run).startswith("One exposure holds all colours, so focus once for all")
    assert {action_words(row, channels=True) for row in rows} == {"reference", ""}


@pytest.mark.parametrize(
    ("bound", "words"),
    [
        ((12_460.0, float("inf")), "lies above 12460 steps."),
        ((float("-inf"), 900.0), "lies below 900 steps."),
        ((100.0, 200.0), "lies between 100 and 200 steps."),
    ],
)
def test_a_refused_sweep_says_what_is_known(nothing_measured, bound, words):
    assert f"Best focus {words}" in page_with(nothing_measured, bound)


def test_a_sweep_that_knows_nothing_makes_no_bound_up(nothing_measured):
    unbounded = (float("-inf"), float("inf"))
    assert "Best focus lies" not in page_with(nothing_measured, unbounded)


def page_with(run, bound):
    (fit,) = run.curves.fits
    curves = replace(run.curves, fits=(replace(fit, bound_steps=bound),))
    return report_html(replace(run, curves=curves))


def test_names_are_listed_as_people_list_them():
    assert [listing(list(n)) for n in ("", "R", "RG", "RGB")] == ["", "R", "R and G", "R, G and B"]


@pytest.mark.parametrize(
    ("remark", "said"),
    [
        ("the drift is 3 +- 1 steps", "The drift is 3 ± 1 steps."),
        ("z and y differ", "z and y differ."),
        ("Done.", "Done."),
        ("", ""),
        ("the umbra is 5 um wide, 3 um.", "The umbra is 5 µm wide, 3 µm."),
    ],
)
def test_a_remark_becomes_a_sentence(remark, said):
    assert sentence(remark) == said


def test_filters_that_share_a_reason_share_a_line(night):
    rows = [replace(row, reason="the same") for row in night.comparison.rows[:3]]
    assert grouped_reasons([*rows, replace(rows[0], filter="Ha", reason="another")]) == [
        ("L, R and G", "the same"),
        ("Ha", "another"),
    ]


def test_a_night_without_answer_has_no_moves_to_tell(nothing_measured):
    assert SAID.lead(nothing_measured) == ""


def test_less_glass_is_not_called_more(night):
    odd = tuple(
        OddFilter(filter="X", shift_um=Estimate(-80.0, 9.0), extra_glass_mm=Estimate(value, sigma))
        for value, sigma in ((-0.82, 0.2), (1.0, float("nan")))
    )
    colour = replace(night.comparison.colour, odd_filters=odd)
    page = report_html(replace(night, comparison=replace(night.comparison, colour=colour)))
    assert "as 0.82 ± 0.20 mm less glass would do" in page
    assert "as 1 mm more glass would do" in page


@pytest.mark.parametrize(
    ("words", "codes"),
    [(SAID.verdicts, Verdict), (SAID.approaches, Approach), (SAID.models, ModelName)],
)
def test_every_code_of_the_earlier_layers_has_its_words(words, codes):
    assert set(words) == set(get_args(codes))


def test_without_a_move_the_start_is_to_stay(night):
    row = replace(night.comparison.rows[1], action="refocus", move_steps=0, reason="too rough")
    said = SAID.change(row, night.setup)
    assert said == (
        "From L to R: refocus there, or leave the focuser where it is as a start. Too rough."
    )


def test_two_are_both(night):
    few = replace(night.comparison, rows=night.comparison.rows[:2])
    assert SAID.headline(replace(night, comparison=few)).startswith("Both filters measured")
