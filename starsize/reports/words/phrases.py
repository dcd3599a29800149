"""Turns of phrase that several sentences share."""

import math


def all_filters(count: int) -> str:
    """``both filters`` or ``all 7 filters``.

    Examples
    --------
    >>> all_filters(2), all_filters(7)
    ('both filters', 'all 7 filters')
    """
    return "both filters" if count == 2 else f"all {count} filters"


def counted(number: int, noun: str) -> str:
    """``1 frame``, ``7 frames``."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def signed(value: float, decimals: int = 1) -> str:
    """A number with its sign; zero has no sign.

    Examples
    --------
    >>> signed(3.14), signed(-0.04)
    ('+3.1', '0.0')
    """
    text = f"{value:+.{decimals}f}"
    return text[1:] if float(text) == 0 else text


def spread(value: float, half95: float) -> str:
    """A number of steps with its 95 % half-width: ``+3.1 +- 0.4 steps (95 %)``."""
    return f"{signed(value)} +- {half95:.1f} steps (95 %)"


def about(steps: float) -> int:
    """Two significant digits: advice, not a measurement.

    Examples
    --------
    >>> about(123.4), about(7.2)
    (120, 7)
    """
    digits = 10 ** max(math.floor(math.log10(max(steps, 1))) - 1, 0)
    return round(steps / digits) * digits
