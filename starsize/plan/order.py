"""In which order the filters are swept: the reference again and again, then the way back."""

from collections.abc import Sequence


def order_of_sweeps(
    reference: str, others: Sequence[str], *, rounds: int, between: int
) -> tuple[str, ...]:
    """Filter of each sweep.

    The reference begins and ends every round and stands after every ``between`` other filters, so
    that cooling and scatter show; every second round goes back, so that a steady drift cancels.

    Examples
    --------
    >>> order_of_sweeps("L", ("R", "G", "B"), rounds=1, between=2)
    ('L', 'R', 'G', 'L', 'B', 'L')
    >>> order_of_sweeps("L", ("R", "G"), rounds=2, between=4)
    ('L', 'R', 'G', 'L', 'G', 'R', 'L')
    """
    parts = -(-len(others) // between)
    size = -(-len(others) // parts)
    order = [reference]
    for number in range(rounds):
        way = list(others) if number % 2 == 0 else list(others)[::-1]
        for start in range(0, len(way), size):
            order += [*way[start : start + size], reference]
    return tuple(order)
