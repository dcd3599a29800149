"""What was planned: how many exposures of which filter each sweep is to have."""

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from ..errors import InputError, printable
from ..filters import canonical_filter


@dataclass(frozen=True, slots=True)
class PlannedSweep:
    """One sweep of a plan."""

    filter: str
    frames: int


def read_planned_sweeps(
    path: Path, *, aliases: Mapping[str, str] | None = None
) -> tuple[PlannedSweep, ...]:
    """Read the sweeps of a ``plan.csv``, in the order in which they are to be taken.

    Parameters
    ----------
    path : Path
        A table with the columns ``sweep`` and ``filter``, one row an exposure.
    aliases : mapping of str to str, optional
        The setup's spellings of filters.

    Raises
    ------
    InputError
        If it cannot be read, or is no plan.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        why = getattr(error, "strerror", None) or "not a table of text"
        msg = f"{path}: the plan cannot be read ({why.lower()})"
        raise InputError(msg) from error
    sweeps: dict[str, list[str]] = {}
    for number, row in enumerate(rows, 2):
        sweep, name = ((row.get(column) or "").strip() for column in ("sweep", "filter"))
        if not sweep or not name:
            msg = (
                f"{path}: line {number} names no sweep and filter; give the plan.csv that "
                "'starsize plan' wrote"
            )
            raise InputError(msg)
        sweeps.setdefault(sweep, []).append(name)
    if not sweeps:
        msg = f"{path}: this plan holds no exposure"
        raise InputError(msg)
    for sweep, names in sweeps.items():
        if len(set(names)) > 1:
            msg = f"{path}: sweep {printable(sweep)} has several filters, {', '.join(set(names))}"
            raise InputError(msg)
    return tuple(
        PlannedSweep(canonical_filter(names[0], aliases=aliases), len(names))
        for names in sweeps.values()
    )
