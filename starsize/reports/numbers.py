"""Numbers as people and files want them: sensible digits, a sign, never "nan"."""

import math
from datetime import timedelta

from ..estimate import Estimate
from ..frames.values import MJD_EPOCH


def known(value: float | None) -> float | None:
    """The number itself, or None where it is missing, not a number or infinite."""
    return None if value is None or not math.isfinite(value) else float(value)


def decimals_for(sigma: float | None, *, digits: int = 2) -> int | None:
    """Decimals that show ``digits`` significant digits of ``sigma``; None where it says nothing."""
    size = known(sigma)
    if size is None or size <= 0:
        return None
    return min(12, max(0, digits - 1 - math.floor(math.log10(size))))


def number_text(value: float | None, *, sigma: float | None = None, digits: int = 6) -> str:
    """One number without its uncertainty, to one digit more than people read; empty if unknown.

    Without ``sigma``, ``digits`` significant digits and no trailing zeros.

    >>> number_text(12345.678, sigma=1.23), number_text(0.25), number_text(-0.0)
    ('12345.68', '0.25', '0')
    """
    shown = known(value)
    if shown is None:
        return ""
    places = decimals_for(sigma, digits=3)
    text = f"{shown:z.{digits}g}" if places is None else f"{shown:z.{places}f}"
    return f"{shown:.0f}" if "e" in text and 1e-4 <= abs(shown) < 1e15 else text


def short_number(value: float | None) -> str:
    """One decimal, none from a hundred up, two digits below one; empty if unknown.

    >>> short_number(8.318), short_number(123.4), short_number(0.0042), short_number(0.0)
    ('8.3', '123', '0.0042', '0')
    """
    size = known(value)
    if size is None or abs(size) < 1:
        return number_text(size, digits=2)
    return f"{size:.1f}" if abs(size) < 100 else f"{size:.0f}"


def micrometres(value: float | None) -> str:
    """A signed shift in micrometres, no finer than a tenth; empty if unknown.

    >>> micrometres(168.2), micrometres(-4.31), micrometres(-0.0015), micrometres(None)
    ('+168', '-4.3', '0.0', '')
    """
    shift = known(value)
    return "" if shift is None else with_sign(shift, 0 if abs(shift) >= 99.95 else 1)


def with_sign(value: float, decimals: int = 1) -> str:
    """A number with its sign; zero has no sign."""
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text


def estimate_text(
    estimate: Estimate | None, *, signed: bool = False, most_decimals: int = 12
) -> str:
    """Value and standard uncertainty for people, two digits of the uncertainty."""
    if estimate is None or not estimate.is_known:
        return "not known"
    sign = "+" if signed else ""
    places = decimals_for(estimate.sigma)
    if places is None:
        text = f"{estimate.value:{sign}.4g}"
        return f"{estimate.value:{sign}.0f}" if "e" in text else text
    places = min(places, most_decimals)
    return f"{estimate.value:{sign}z.{places}f} ± {estimate.sigma:.{places}f}"


def signed_text(value: float | None, sigma: float | None) -> str:
    """A signed number with its uncertainty, if that is known; empty if unknown."""
    if known(value) is None:
        return ""
    own = known(sigma)
    return estimate_text(Estimate(value or 0.0, math.nan if own is None else own), signed=True)


def steps_text(count: float, *, signed: bool = False) -> str:
    """A count of steps with its word, whole from ten steps up."""
    places = 0 if abs(count) >= 10 or float(count).is_integer() else 1
    shown = round(count, places) + 0.0
    return f"{shown:{'+' if signed else ''}.{places}f} step{'' if abs(shown) == 1 else 's'}"


def move_number(steps: int | None) -> str:
    """A whole number of steps with its sign; 0 has none, a dash where unknown."""
    return "–" if steps is None else f"{steps:+d}" if steps else "0"


def percent(share: float) -> str:
    """A share as per cent: none after the point from ten up."""
    if not math.isfinite(share):
        return "not known"
    return f"{100 * share:.0f} %" if share >= 0.0995 else f"{100 * share:z.1f} %"


def duration_text(seconds: float) -> str:
    """A duration as people say it: ``48 s``, ``8 min``, ``1 h 30 min``."""
    minutes = round(seconds / 60)
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def time_text(mjd: float | None) -> str:
    """ISO 8601 time in UTC, to the second; empty where unknown."""
    day = known(mjd)
    if day is None:
        return ""
    moment = MJD_EPOCH + timedelta(days=day, microseconds=500_000)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def clock_text(mjd: float | None) -> str:
    """Hours and minutes, UTC; empty where unknown."""
    return time_text(mjd)[11:16]
