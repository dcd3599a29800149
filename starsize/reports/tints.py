"""Which of the page's colours stands for a filter."""

from ..filters import BANDS

_SPARE = 3
"""How many colours the page keeps for filters it does not know."""


def filter_tint(name: str) -> str:
    """Name of the CSS colour of a filter; the same for the same name everywhere."""
    return name if name in BANDS else f"other-{spare_number(name)}"


def spare_number(name: str) -> int:
    """1, 2 or 3 for a filter without a colour of its own."""
    return 1 + sum(name.encode()) % _SPARE
