"""Turns of phrase that several sentences share."""


def all_filters(count: int) -> str:
    """``both filters`` or ``all 7 filters``.

    Examples
    --------
    >>> all_filters(2), all_filters(7)
    ('both filters', 'all 7 filters')
    """
    return "both filters" if count == 2 else f"all {count} filters"


def signed(value: float) -> str:
    """A number of steps with its sign and one decimal; zero has no sign.

    Examples
    --------
    >>> signed(3.14), signed(-0.04)
    ('+3.1', '0.0')
    """
    text = f"{value:+.1f}"
    return text[1:] if float(text) == 0 else text
