"""Header values as they are written, brought to numbers. What cannot be trusted becomes None."""

import math
import re
from datetime import datetime, timedelta
from typing import Final, NamedTuple

from ..errors import printable

#: Numbers that stand for "not known" (common practice).
SENTINELS: Final = frozenset({-99.0, -999.0, -9999.0, -99999.0, -999999.0})
#: What lies outside is not the temperature of a telescope under the night sky.
LOWEST_DEGC, HIGHEST_DEGC = -60.0, 60.0
#: No single exposure is longer than a fortnight; focusers count in whole numbers of 32 bits.
LONGEST_S, MOST_STEPS = 1e6, 2.0**31
#: Nights between 1900 and 2100; a clock that says otherwise is not set.
MJD_RANGE: Final = (15020.0, 88069.0)
#: Modified Julian Date 0 in the civil calendar.
MJD_EPOCH: Final = datetime(1858, 11, 17)
#: TAI - UTC since 2017 and TT - TAI, in seconds (IERS Bulletin C 52; FITS standard 4.0, sec. 9).
_SCALE_SECONDS: Final = {"TAI": 37.0, "TT": 37.0 + 32.184}
_WORDS: Final = frozenset(
    {"", "unknown", "none", "null", "nan", "n/a", "na", "undefined", "not available", "-", "?"}
)
_UNIT: Final = re.compile(r"\s*(steps?|C|degC|°C)\s*$")
_LENGTH: Final = re.compile(
    r"\b(mm|cm|m|um|µm|millimet\w*|micromet\w*|microns?|met(re|er)s?|inch(es)?)\b", re.IGNORECASE
)
_STEPS: Final = re.compile(r"\b(steps?|counts?|ticks?|pulses?)\b", re.IGNORECASE)
#: ``dd/mm/yy``, which the FITS standard 4.0 (sec. 4.4.2.1) reads as 19yy.
_OLD: Final = re.compile(r"(\d\d)/(\d\d)/(\d\d)")
_DATE: Final = re.compile(r"\d{4}-\d{1,2}-\d{1,2}")
_TIME: Final = re.compile(
    r"(\d{4})-(\d{1,2})-(\d{1,2})[T ](\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d*))?)?"
    r"\s*(?:Z|UTC?|([+-])(\d{2}):?(\d{2}))?",
    re.IGNORECASE,
)


class Card(NamedTuple):
    """One header entry: keyword, value (None where it breaks the standard) and comment."""

    keyword: str
    value: object
    comment: str = ""


def number(value: object) -> float | None:
    """A finite number written as a number or as text, else None.

    >>> number(" 12345 "), number("9980.31"), number("UNKNOWN"), number("NaN"), number(-999)
    (12345.0, 9980.31, None, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    try:
        found = float(value)
    except ValueError:
        return None
    return found if math.isfinite(found) and found not in SENTINELS else None


def within(value: object, low: float, high: float) -> float | None:
    """Return a number above zero and in a range, else None: 0 stands for "not known"."""
    found = number(value)
    return found if found and low <= found <= high else None


def text(value: object) -> str | None:
    """Return a word that says something, without surrounding space, else None."""
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        return None
    word = printable(str(value)).strip().strip("'").strip()
    if isinstance(value, float) and value.is_integer():
        word = str(int(value))
    return None if word.casefold() in _WORDS else word


def steps(card: Card, *, loose: bool) -> float | None:
    """A focuser position in steps, or None where the entry is not one, such as a length.

    ``loose`` is for keywords that may hold millimetres or metres (TELFOCUS 0.014303 and 27.287
    occur in public headers): then only whole numbers count, and any number from 1000.
    """
    found = _without_unit(card)
    if found is None or is_length(card) or abs(found) > MOST_STEPS:
        return None
    return found if not loose or found.is_integer() or abs(found) >= 1000 else None


def is_length(card: Card) -> bool:
    """Tell whether the comment says that the value is in millimetres or the like."""
    return bool(_LENGTH.search(card.comment)) and not _STEPS.search(card.comment)


def celsius(card: Card) -> float | None:
    """An outdoor temperature in degC, or None; Kelvin and Fahrenheit if the comment names them."""
    found = _without_unit(card)
    if found is None:
        return None
    if re.search(r"\b(K|Kelvin)\b", card.comment):
        found -= 273.15
    elif re.search(r"\b(deg ?F|F|Fahrenheit)\b", card.comment):
        found = (found - 32) / 1.8
    return found if LOWEST_DEGC <= found <= HIGHEST_DEGC else None


def _without_unit(card: Card) -> float | None:
    """The number of an entry that may hold its unit too, such as '12000 steps' or '4.5 C'."""
    return number(_UNIT.sub("", card.value) if isinstance(card.value, str) else card.value)


def mjd(date: object, *, clock: object = None, scale: str = "UTC") -> float | None:
    """The Modified Julian Date (UTC) of a date as headers write it, or None.

    ISO 8601 with T or a space, any number of decimals, with or without Z; or ``dd/mm/yy``.
    ``clock`` is the time of day for a date without one, which alone tells no time; ``scale`` is
    TIMESYS, UTC if not TAI or TT. 60 seconds and 24 hours (rounded up by some writers) are allowed.

    >>> mjd("2026-01-31T12:00:00.5Z"), mjd("26/10/92", clock="06:00:00"), mjd("yesterday")
    (61071.500005787035, 48921.25, None)
    """
    if not isinstance(date, str):
        return None
    written = _OLD.sub(r"19\3-\2-\1", date.strip())
    if _DATE.fullmatch(written) and isinstance(clock, str):
        written += "T" + clock.strip().upper().rpartition("T")[2]
    if not (found := _TIME.fullmatch(written)):
        return None
    year, month, day, hour, minute, second, decimals, sign, *zone = found.groups()
    try:
        since = datetime(int(year), int(month), int(day)) - MJD_EPOCH
    except ValueError:
        return None
    seconds = int(second or 0) + float(f"0.{decimals or 0}")
    since += timedelta(hours=int(hour), minutes=int(minute), seconds=seconds)
    if sign:
        ahead = timedelta(hours=int(zone[0]), minutes=int(zone[1]))
        since += ahead if sign == "-" else -ahead
    late = _SCALE_SECONDS.get(scale.strip().upper(), 0.0) / 86400
    return within(since / timedelta(days=1) - late, *MJD_RANGE)


def bayer_at_origin(
    pattern: str, *, rows: int, bottom_up: bool, x_offset: int, y_offset: int
) -> str | None:
    """The colour pattern as it starts at ``image[0, 0]``, or None for a mono camera.

    The header counts it from the picture's upper left corner (common practice): where the first row
    is the lowest (BOTTOM-UP) of an even number, its rows change places. Offsets are of a subframe.
    """
    word = pattern.upper()
    if sorted(word) != ["B", "G", "G", "R"]:
        return None
    shift_y = y_offset + (rows - 1 if bottom_up else 0)
    return "".join(
        word[2 * ((y + shift_y) % 2) + (x + x_offset) % 2] for y in (0, 1) for x in (0, 1)
    )
