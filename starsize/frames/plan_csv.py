"""The table of a plan: the exposures to take, in order, one row each."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from ..errors import InputError, printable
from ..filters import canonical_filter
from ..setup import Setup
from .facts_csv import number_in
from .setup_file import setup_from_tables
from .values import LONGEST_S, MOST_STEPS
from .walk import text_of

PLAN_COLUMNS: Final = ("order", "sweep", "filter", "position_steps", "exposure_s", "note")
PLAN_DOCUMENT: Final = "plan.json"
FRAME_OVERHEAD_S: Final = 6.0
"""Taken for reading out, moving the focuser by a spacing and letting it settle (common practice:
3 to 10 s)."""
SWEEP_OVERHEAD_S: Final = 30.0
"""Taken for changing the filter and for the run-in before a sweep (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedExposure:
    """One exposure, the columns of ``plan.csv``; ``order`` and ``sweep`` count from 1."""

    order: int
    sweep: int
    filter: str
    position_steps: int
    exposure_s: float
    note: str = ""


def read_plan(
    path: Path, *, aliases: Mapping[str, str] | None = None
) -> tuple[PlannedExposure, ...]:
    """Read a ``plan.csv``, of which only the note may lack; ``InputError`` if that cannot be."""
    table = csv.DictReader(io.StringIO(text_of(path, "the plan"), newline=""))
    try:
        missing = [c for c in PLAN_COLUMNS[:-1] if c not in (table.fieldnames or ())]
        rows = list(table)
    except csv.Error as error:
        raise InputError(f"{path}: the plan cannot be read (not a table of text)") from error
    if missing:
        msg = f"{path}: no column {missing[0]}; give the plan.csv that 'starsize plan' wrote"
        raise InputError(msg)
    exposures: list[PlannedExposure] = []
    for line, row in enumerate(rows, 2):
        try:
            exposures.append(_exposure(row, exposures, aliases))
        except InputError as error:
            raise InputError(f"{path}, line {line}: {error}") from error
    if not exposures:
        raise InputError(f"{path}: this plan holds no exposure")
    return tuple(exposures)


def read_plan_setup(path: Path) -> tuple[Setup, float] | None:
    """Equipment, and radius in focus (px), of the ``plan.json`` beside a plan; or None."""
    try:
        document = json.loads(path.with_name(PLAN_DOCUMENT).read_text(encoding="utf-8"))
        return setup_from_tables(document["setup"]), float(document["hfr_px"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None


def _exposure(
    row: Mapping[str, str], before: Sequence[PlannedExposure], aliases: Mapping[str, str] | None
) -> PlannedExposure:
    """A row, in accord with those before it: a sweep has one filter, and its rows stay together."""
    cells = {name: (row.get(name) or "").strip() for name in PLAN_COLUMNS}
    name = canonical_filter(cells["filter"], aliases=aliases)
    if not name or not name.isprintable():
        raise InputError(f"the filter '{printable(name)}' cannot be used")
    order, number = (
        round(number_in(name, cells[name], 1, MOST_STEPS)) for name in ("order", "sweep")
    )
    position = number_in("position_steps", cells["position_steps"], -MOST_STEPS, MOST_STEPS)
    exposure = number_in("exposure_s", cells["exposure_s"], 1e-6, LONGEST_S)
    of = {one.sweep: one.filter for one in before}
    if number in of and before[-1].sweep != number:
        raise InputError(f"sweep {number} was already over; put its rows together")
    if of.get(number, name) != name:
        raise InputError(f"sweep {number} is one of {of[number]}")
    return PlannedExposure(
        order=order, sweep=number, filter=name, position_steps=round(position),
        exposure_s=exposure, note=cells["note"],
    )  # fmt: skip
