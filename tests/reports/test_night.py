"""A judged night as table, document, page and words."""

import csv
import io
import json
import re
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from starsize.estimate import Estimate, Notice
from starsize.night import Equipment, Exposure, FilterOffset, FrameFocus, NightResult, RefocusRule
from starsize.reports import NIGHT_FILES, night_document, print_found, write_night_result
from starsize.reports.page import night_html
from starsize.reports.words import macros, spans
from starsize.reports.writer import NIGHT_COLUMNS, night_csv

#: The columns that people script against, in order.
CONTRACT = (
    "file,time_utc,filter,position_steps,temperature_degC,hfr_px,hfr_sigma_px,shape,shape_sigma,"
    "stars,elongation,background_adu,state,cause,probability_lost,growth,growth_sigma,"
    "defocus_steps,defocus_sigma_steps,reason"
)
NAN = float("nan")
SAID = macros("night_said.txt")


def rules(night):
    return [line for line in SAID.rule(night).splitlines() if line]


def frame(state, chance, growth, zones, *, sided=True):
    return FrameFocus(
        state=state, probability_lost=chance, growth=growth, growth_sigma=0.02,
        defocus_zones=zones, defocus_sigma_zones=0.2, side_known=sided, telescope_zones=zones,
        log_seeing=0.7,
    )  # fmt: skip


def exposure(number, name, **changed):
    facts = {
        "file": f"light_{number}.fits", "filter": name, "time_mjd": 60321.8 + number / 288,
        "position_steps": 12000.0, "temperature_degC": 9.5, "hfr_px": 2.2, "hfr_sigma_px": 0.01,
        "shape": 1.7, "shape_sigma": 0.02, "stars": 150, "found": 180, "elongation": 1.03,
        "background_adu": 800.0,
    }  # fmt: skip
    return Exposure(**{**facts, **changed})


@pytest.fixture
def result():
    """An invented night of five exposures, one of each fate."""
    return NightResult(
        exposures=(
            exposure(1, "L"), exposure(2, "L"), exposure(3, "<b>"), exposure(4, "R"),
            exposure(5, "R", hfr_px=NAN, hfr_sigma_px=NAN, shape=NAN, shape_sigma=NAN, stars=0,
                     found=0, elongation=NAN, reason="no stars were found in it"),
        ),
        frames=(
            frame("held", 0.01, 0.01, 0.2, sided=False), frame("unclear", 0.4, 0.09, 1.4),
            frame("lost", 0.99, 0.3, -2.5), frame("held", 0.02, 0.02, 0.3),
            frame("held", 0.03, 0.02, 0.3),
        ),
        causes=("", "", "offset", "wind or guiding", "cloud"),
        offsets=(
            FilterOffset(filter="<b>", frames=1, change_zones=2.5, change_sigma_zones=0.3,
                         side_known=True, agrees=False, odds=9.0),
            FilterOffset(filter="R", frames=2, change_zones=0.1, change_sigma_zones=0.4,
                         side_known=True, agrees=True, odds=-5.0),
        ),
        rule=RefocusRule(limit_zones=1.6, each_degC=2.3, each_minutes=140.0, share_lost=0.2,
                         share_lost_with_rule=0.05, refocusings=1, cost_share=0.04),
        coefficient=Estimate(0.7, 0.1),
        by_degree=True,
        ways={"deg_altitude": Estimate(0.05, 0.01)},
        equipment=Equipment(shapes={}, zone_px=0.8, zone_steps=10.0, learnt=True),
        limit=0.1,
        notices=(Notice("some", "something to know"),),
    )  # fmt: skip


def test_the_table_begins_with_the_contract_and_numbers_not_known_are_empty(result):
    rows = list(csv.DictReader(io.StringIO(night_csv(result))))
    assert ",".join(NIGHT_COLUMNS).startswith(CONTRACT + ",")
    assert [row["state"] for row in rows] == ["held", "unclear", "lost", "held", "held"]
    assert rows[2]["cause"] == "focus: offset of this filter"
    assert float(rows[2]["defocus_steps"]) == pytest.approx(-25.0)
    assert rows[4]["hfr_px"] == ""
    assert rows[4]["elongation"] == ""
    assert all(row["reason"] for row in rows)


def test_the_document_is_plain_json_and_says_what_each_filter_is_off_by(result):
    document = json.loads(json.dumps(night_document(result), allow_nan=False))
    assert document["schema"]["name"] == "starsize-night"
    assert document["frames"][4]["hfr_px"] is None
    odd, good = document["filters"]
    assert odd["agrees"] is False
    assert good["agrees"] is True
    assert odd["offset_change_steps"]["value"] == pytest.approx(25.0)
    assert document["course"]["steps_per_degC"]["value"] == pytest.approx(7.0)
    assert list(document["course"]["together"]) == ["steps_per_deg_altitude"]
    assert document["course"]["together"]["steps_per_deg_altitude"]["value"] == pytest.approx(0.5)
    assert document["warnings"] == [{"code": "some", "text": "something to know"}]


def test_the_page_fetches_nothing_escapes_names_and_is_the_same_each_time(result):
    page = night_html(result)
    assert "<b>" not in page
    assert "&lt;b&gt;" in page
    assert not re.findall(r'(?:src|href)="(?!#)', page)
    assert page == night_html(result)
    assert "nan" not in re.sub(r"<[^>]+>", " ", page).lower().split()
    for one in result.exposures:
        assert one.file in page


def test_files_are_written_together_and_again_over_our_own(result, tmp_path):
    written = write_night_result(result, tmp_path / "out")
    assert sorted(path.name for path in written) == sorted(NIGHT_FILES.names)
    write_night_result(replace(result, limit=0.2), tmp_path / "out")


def test_words_say_what_was_seen_and_what_would_tell(result):
    assert SAID.headline(result) == "Focus was lost in 1 of 5 exposures. First at 19:27 UTC."
    assert "offset of <b> is off" in SAID.reason(result, 2)
    assert "15 steps aside would tell" in SAID.reason(result, 1)
    assert SAID.reason(result, 4).startswith("no stars were found in it; by its neighbours")
    assert SAID.defocus(result.frames[0], 10.0) == "in or out by 2.0 ± 2.0 steps"
    assert SAID.defocus(result.frames[2], 10.0) == "-25.0 ± 2.0 steps"
    assert "+25.0 ± 3.0 steps" in SAID.filter(result, result.offsets[0])
    assert "every 2.3 °C" in rules(result)[2]
    assert "+0.50 ± 0.10 steps per degree of altitude" in rules(result)[1]
    assert [span["what"] for span in spans(result)] == [
        "focus: offset of this filter", "wind or guiding", "cloud",
    ]  # fmt: skip


def test_a_run_of_frames_is_told_as_one_and_where_the_telescope_stands(result):
    both = replace(result, causes=("seeing", "seeing", "offset", "", ""))
    blurred, off = spans(both)
    assert blurred["why"].startswith(
        "the air makes the stars larger than in the better frames; defocus makes the stars up to"
    )
    held = replace(result.frames[1], state="held")
    both = replace(both, frames=(result.frames[0], held, *result.frames[2:]))
    assert spans(both)[0]["why"] == (
        "focus held; the air makes the stars larger than in the better frames"
    )
    assert off["why"].endswith("the telescope itself is off too")
    sharp = replace(result.frames[2], telescope_zones=0.4)
    both = replace(both, frames=(*result.frames[:2], sharp, *result.frames[3:]))
    assert SAID.reason(both, 2).endswith("the telescope itself is in focus")


def test_without_step_size_zones_are_said_and_without_a_course_no_rule(result):
    unknown = replace(result.equipment, zone_steps=NAN)
    assert SAID.defocus(result.frames[2], NAN) == "-2.50 ± 0.20 zones"
    none = replace(result, equipment=unknown, rule=RefocusRule(limit_zones=1.6))
    assert "supports no rule" in rules(none)[0]
    assert night_document(none)["frames"][0]["defocus_steps"] is None
    assert "not known" not in SAID.reason(none, 2)


def test_the_terminal_shows_headline_troubles_and_filters(result):
    out = io.StringIO()
    print_found(result, console=Console(file=out, width=100))
    text = out.getvalue()
    assert "Focus was lost in 1 of 5" in text
    assert "The offset of <b> is off" in text
    assert "wind or guiding (1)" in text


def test_a_night_without_a_single_radius_is_said_so(result):
    blind = tuple(replace(one, hfr_px=NAN, shape=NAN) for one in result.exposures)
    nothing = replace(result, exposures=blind, rule=None)
    assert SAID.headline(nothing) == "No exposure of this night can be measured."
    assert "<svg" not in night_html(nothing)
    assert np.isfinite(nothing.limit)
