import pytest

from starsize.estimate import NOT_KNOWN, Estimate
from starsize.reports.numbers import (
    estimate_text,
    known,
    number_text,
    percent,
    short_number,
    steps_text,
    time_text,
)


@pytest.mark.parametrize("value", [None, float("nan"), float("inf"), float("-inf")])
def test_what_is_no_finite_number_is_never_shown_as_one(value):
    assert known(value) is None
    assert number_text(value) == ""
    assert short_number(value) == ""


@pytest.mark.parametrize(
    ("value", "sigma", "text"),
    [
        (12_345.678, 1.234, "12345.68"),
        (12_345.678, 0.0, "12345.7"),
        (12_345.678, 150.0, "12346"),
        (0.012345, 0.00067, "0.012345"),
        (-0.0001, 1.0, "0.00"),
        (1_234_567.0, None, "1234567"),
    ],
)
def test_digits_end_where_the_uncertainty_begins_with_one_to_spare(value, sigma, text):
    assert number_text(value, sigma=sigma) == text


def test_an_estimate_shows_two_digits_of_its_uncertainty():
    assert estimate_text(Estimate(85.123, 1.64), signed=True) == "+85.1 ± 1.6"
    assert estimate_text(Estimate(1234.5, 345.0)) == "1234 ± 345"
    assert estimate_text(Estimate(-0.01, 1.0), signed=True) == "+0.0 ± 1.0"


def test_an_unknown_estimate_says_so():
    assert estimate_text(NOT_KNOWN) == estimate_text(None) == "not known"


def test_an_estimate_without_uncertainty_claims_none():
    assert "±" not in estimate_text(Estimate(4.0))


@pytest.mark.parametrize(
    ("count", "text"), [(1, "1 step"), (-1, "-1 step"), (0, "0 steps"), (85.1, "85 steps")]
)
def test_steps_carry_their_word(count, text):
    assert steps_text(count) == text


def test_times_are_civil_time_in_utc_to_the_second():
    # MJD 51544.5 is 2000 January 1, 12 h, the epoch J2000.0 (IAU; from memory).
    assert time_text(51_544.5) == "2000-01-01T12:00:00Z"
    assert time_text(51_544.5 + 0.6 / 86_400) == "2000-01-01T12:00:01Z"
    assert time_text(float("nan")) == ""


def test_a_share_below_what_is_shown_has_no_sign():
    assert [percent(share) for share in (-0.0003, 0.0123, 0.25)] == ["0.0 %", "1.2 %", "25 %"]
