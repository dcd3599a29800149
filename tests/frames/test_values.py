"""Header values as people's programs write them."""

import math
from datetime import datetime

import pytest
from astropy.time import Time
from hypothesis import given, strategies as st

from starsize.frames.values import Card, bayer_at_origin, celsius, mjd, number, steps, text


@pytest.mark.parametrize("value", [12345, 12345.0, "12345", " 12345 ", "12345.0"])
def test_a_number_is_read_from_numbers_and_text(value):
    assert number(value) == 12345


@pytest.mark.parametrize(
    "value",
    ["UNKNOWN", "NaN", "nan", "", "  ", "Prime", -999, -9999, "-999", -99.0, True, None, math.inf,
     "0.1 0.2 0.3 0.4 0.5 0.6"],
)  # fmt: skip
def test_words_sentinels_and_lists_are_not_numbers(value):
    # The spellings occur in public headers (TELFOCUS 'Prime', 'UNKNOWN', a six-number string).
    assert number(value) is None


@given(st.floats(allow_nan=False, allow_infinity=False).filter(lambda x: x > 0))
def test_a_number_survives_being_written_as_text(value):
    assert number(repr(value)) == value


@pytest.mark.parametrize(
    ("value", "comment"),
    [
        (0.014303, "Telescope focus (metres)"),
        (27.287, "[mm] Focus position"),
        (27287, "[um] Focus position"),
        (27, "focus in millimeters"),
    ],
)
def test_a_length_is_not_a_position_whatever_its_keyword(value, comment):
    for loose in (False, True):
        assert steps(Card("TELFOCUS", value, comment), loose=loose) is None


def test_a_small_fraction_under_a_loose_keyword_is_not_a_position():
    # TELFOCUS 0.014303 (metres) and 27.287 (mm) occur in public headers, 23301 as well.
    assert steps(Card("TELFOCUS", 27.287), loose=True) is None
    assert steps(Card("TELFOCUS", 23301), loose=True) == 23301
    assert steps(Card("TELFOCUS", "23301"), loose=True) == 23301


@pytest.mark.parametrize("value", [0, -3, 9980.31127732742, "12000 steps"])
def test_zero_small_negative_and_fractional_positions_count(value):
    # FOCPOS 9980.31127732742 occurs in a public header; counting from the middle is common.
    expected = 12000 if isinstance(value, str) else value
    assert (
        steps(Card("FOCPOS", value, "position [steps], 0.5 um per step"), loose=False) == expected
    )


@pytest.mark.parametrize(
    ("value", "comment", "expected"),
    [
        (4.25, "[degC] focuser", 4.25),
        ("4.25 C", "", 4.25),
        (277.4, "[K] tube", 4.25),
        (39.65, "[deg F]", 4.25),
        (0.0, "", 0.0),
    ],
)
def test_temperature_comes_in_celsius(value, comment, expected):
    assert celsius(Card("FOCTEMP", value, comment)) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("value", [-127, 85, -273.15, 999, -999, "NaN", None])
def test_what_a_probe_says_when_it_is_not_there_is_no_temperature(value):
    # -127 and 85 are the fault values of a widespread digital sensor (from memory).
    assert celsius(Card("FOCTEMP", value)) is None


@pytest.mark.parametrize(
    "date",
    [
        "2026-01-31T22:15:07.5",
        "2026-01-31T22:15:07.500000",
        "2026-01-31T22:15:07.5Z",
        "2026-01-31 22:15:07.5",
        "2026-01-31T23:15:07.5+01:00",
        "2026-01-31T22:14:67.5",
    ],
)
def test_iso_dates_in_all_their_dress(date):
    assert mjd(date) == pytest.approx(Time("2026-01-31T22:15:07.5").mjd, abs=1e-8)


@pytest.mark.parametrize(
    ("date", "iso"),
    [("26/10/92", "1992-10-26"), ("31/08/93", "1993-08-31"), ("01/01/00", "1900-01-01")],
)
def test_old_dates_are_of_the_twentieth_century(date, iso):
    # FITS standard 4.0, sec. 4.4.2.1: 'DD/MM/YY' stands for 19YY.
    assert mjd(date, clock="06:00:00") == pytest.approx(Time(iso, scale="tai").mjd + 0.25, abs=1e-9)
    assert mjd(date) is None


@pytest.mark.parametrize("scale", ["TAI", "TT"])
def test_time_scales_agree_with_astropy(scale):
    date = "2026-01-31T22:15:07.5"
    assert mjd(date, scale=scale) == pytest.approx(
        Time(date, scale=scale.lower()).utc.mjd, abs=1e-9
    )


@pytest.mark.parametrize("date", ["", "yesterday", "2026-13-01T00:00:00", "32/01/99", None, 5])
def test_what_is_no_date_is_none(date):
    assert mjd(date, clock="00:00:00") is None


@given(st.datetimes(min_value=datetime(1990, 1, 1), max_value=datetime(2028, 1, 1)))
def test_dates_agree_with_astropy_to_a_millisecond(moment):
    # TAI has no leap seconds: its calendar is the plain one that we count in.
    assert mjd(moment.isoformat()) == pytest.approx(Time(moment, scale="tai").mjd, abs=1e-8)


@pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
@pytest.mark.parametrize("rows", [10, 11])
@pytest.mark.parametrize("bottom_up", [False, True])
@pytest.mark.parametrize("offset", [(0, 0), (1, 0), (0, 1), (1, 1)])
def test_pattern_at_the_origin_equals_the_pattern_painted_and_turned(
    pattern, rows, bottom_up, offset
):
    # Slow twin: paint the sensor, cut the subframe, turn it upside down, look at the corner.
    x, y = offset
    sensor = [[pattern[2 * (j % 2) + i % 2] for i in range(20)] for j in range(20)]
    picture = [row[x:] for row in sensor[y : y + rows]]
    stored = picture[::-1] if bottom_up else picture
    expected = stored[0][0] + stored[0][1] + stored[1][0] + stored[1][1]
    found = bayer_at_origin(pattern, rows=rows, bottom_up=bottom_up, x_offset=x, y_offset=y)
    assert found == expected


@pytest.mark.parametrize("pattern", ["", "MONO", "RGGBX", "RRGG"])
def test_what_is_no_pattern_is_a_mono_camera(pattern):
    assert bayer_at_origin(pattern, rows=4, bottom_up=False, x_offset=0, y_offset=0) is None


@pytest.mark.parametrize("value", ["", "  ", "UNKNOWN", "None", "n/a", None, True])
def test_words_that_say_nothing_are_none(value):
    assert text(value) is None


def test_a_filter_slot_number_is_a_name():
    assert text(3) == text(3.0) == "3"
