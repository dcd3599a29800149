"""Tables that a person writes or edits: facts that headers lack, and the plan of a capture."""

import csv
import io
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path, PurePosixPath
from typing import Any, Final

from ..errors import InputError, SetupError, printable
from ..filters import canonical_filter
from ..setup import Setup
from .frame import FrameFacts
from .setup_file import nearest, setup_from_tables, text_of
from .values import HIGHEST_DEGC, LONGEST_S, LOWEST_DEGC, MOST_STEPS, mjd

#: What ``FrameFacts.position_from`` says of a position that stood in the table.
TABLE: Final = "facts table"
COLUMNS: Final = ("file", "filter", "position_steps", "temperature_degC", "exposure_s", "time")
PLAN_COLUMNS: Final = ("order", "sweep", "filter", "position_steps", "exposure_s", "note")
PLAN_DOCUMENT: Final = "plan.json"
FRAME_OVERHEAD_S: Final = 6.0
"""Taken for reading out, moving the focuser by a spacing and letting it settle (common practice:
3 to 10 s)."""
SWEEP_OVERHEAD_S: Final = 30.0
"""Taken for changing the filter and for the run-in before a sweep (common practice)."""
#: Smallest and largest number in each column.
_LIMITS: Final = {
    "order": (1, MOST_STEPS),
    "sweep": (1, MOST_STEPS),
    "position_steps": (-MOST_STEPS, MOST_STEPS),
    "temperature_degC": (-MOST_STEPS, MOST_STEPS),
    "exposure_s": (0.0, LONGEST_S),
}


@dataclass(frozen=True, slots=True)
class FactsRow:
    """One line of the facts table, and what it states by column, the time as MJD."""

    line: int
    file: str
    stated: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedExposure:
    """One exposure, the columns of ``plan.csv``; ``order`` and ``sweep`` count from 1."""

    order: int
    sweep: int
    filter: str
    position_steps: int
    exposure_s: float
    note: str = ""


def read_facts_csv(path: Path) -> tuple[FactsRow, ...]:
    """Read a facts table; ``SetupError`` if it cannot be understood, or names a file twice.

    Columns ``file`` (name, or path as far as needed to be unique) and any of the others; ``time``
    is the start of the exposure, ISO 8601, UTC. Comma, semicolon or tab between cells; where it is
    not the comma, a decimal comma is understood.
    """
    rows: dict[str, FactsRow] = {}
    with _opened(path, "the facts table") as table:
        columns = table.fieldnames or ()
        _check_columns(columns)
        for cells in filter(_told, table):
            row = _facts_row(table, _told(cells))
            if row.file in rows:
                raise SetupError(f"{row.file} is already in line {rows[row.file].line}")
            if beyond := cells.get(None):
                many = len(columns) + len(beyond)
                raise SetupError(f"{many} cells for {len(columns)} columns")
            rows[row.file] = row
    return tuple(rows.values())


def match_rows(
    path: Path, rows: Iterable[FactsRow], files: Iterable[Path]
) -> Mapping[Path, FactsRow]:
    """The file that each line means; ``SetupError`` if it is none, several, or named before."""
    by_name: dict[str, list[Path]] = {}
    for file in files:
        by_name.setdefault(file.name, []).append(file)
    matched: dict[Path, FactsRow] = {}
    for row in rows:
        wanted = PurePosixPath(row.file.replace("\\", "/")).parts
        found = [f for f in by_name.get(wanted[-1], []) if f.parts[-len(wanted) :] == wanted]
        if len(found) > 1:
            why = f"could be {len(found)} of the files given; write its folder too"
        elif not found:
            near = get_close_matches(row.file, by_name, n=1, cutoff=0.7)
            hint = f" (did you mean {near[0]}?)" if near else ""
            why = f"is not among the files given{hint}"
        elif found[0] in matched:
            why = f"is already in line {matched[found[0]].line}"
        else:
            matched[found[0]] = row
            continue
        raise SetupError(f"{path}, line {row.line}: {row.file} {why}")
    return matched


def apply_row(facts: FrameFacts, row: FactsRow, aliases: Mapping[str, str]) -> FrameFacts:
    """Return the facts with what the line of the table states; the table wins."""
    told = dict(row.stated)
    start = told.pop("time", None)
    if "filter" in told:
        told["filter_written"] = told["filter"]
        told["filter"] = canonical_filter(told["filter"], aliases=aliases)
    if "position_steps" in told:
        told["position_from"] = TABLE
    if "temperature_degC" in told:
        told["temperature_of"] = "focuser"
    facts = replace(facts, **told)
    if start is None:
        return facts
    return replace(facts, mid_time_mjd=start + (facts.exposure_s or 0.0) / 2 / 86400)


def read_plan(
    path: Path, *, aliases: Mapping[str, str] | None = None
) -> tuple[PlannedExposure, ...]:
    """Read a ``plan.csv``, of which only the note may lack; ``InputError`` if that cannot be."""
    exposures: list[PlannedExposure] = []
    with _opened(path, "the plan") as table:
        lacking = [c for c in PLAN_COLUMNS[:-1] if c not in (table.fieldnames or ())]
        if lacking:
            msg = f"no column {lacking[0]}; give the plan.csv that 'starsize plan' wrote"
            raise InputError(msg)
        for cells in table:
            exposures.append(_planned(table, _told(cells), exposures, aliases))
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


@contextmanager
def _opened(path: Path, what: str) -> Iterator[csv.DictReader]:
    """A table, split at what its first line is split at; what is wrong is told with the line."""
    content = text_of(path, what)
    separator = max(",;\t", key=content.split("\n", 1)[0].count)
    table = csv.DictReader(io.StringIO(content, newline=""), delimiter=separator)
    try:
        table.fieldnames = [name.strip() for name in table.fieldnames or ()]
        yield table
    except (csv.Error, InputError) as error:
        why = str(error) if isinstance(error, InputError) else f"not a table ({error})"
        raise SetupError(f"{path}, line {max(table.reader.line_num, 1)}: {why}") from error


def _told(cells: Mapping[str, str | None]) -> dict[str, str]:
    """The cells that hold something, by column."""
    return {name: word for name, cell in cells.items() if name and (word := (cell or "").strip())}


def _check_columns(columns: Sequence[str]) -> None:
    for name in columns:
        if name not in COLUMNS:
            raise SetupError(f"unknown column '{name[:60]}'; {nearest(name, COLUMNS)}")
        if columns.count(name) > 1:
            raise SetupError(f"column '{name}' is there twice")
    if "file" not in columns:
        raise SetupError("there is no column 'file'")


def _facts_row(table: csv.DictReader, cells: Mapping[str, str]) -> FactsRow:
    if not cells.get("filter", "").isprintable():
        raise SetupError("the filter's name holds characters that cannot be shown")
    if "file" not in cells:
        raise SetupError("the cell 'file' is empty")
    stated: dict[str, Any] = {name: cell for name, cell in cells.items() if name != "file"}
    stated |= {name: _number(table, cells, name) for name in _LIMITS if name in cells}
    degrees = stated.get("temperature_degC", 0.0)
    if not LOWEST_DEGC <= degrees <= HIGHEST_DEGC:
        told = f"temperature_degC {degrees:g} is not the temperature of a telescope"
        raise SetupError(f"{told}; leave the cell empty where it is not known")
    if "time" in cells:
        stated["time"] = mjd(cells["time"])
        if stated["time"] is None:
            raise SetupError(f"time '{cells['time']}' is not like 2026-01-31T22:15:00")
    return FactsRow(table.line_num, cells["file"], stated)


def _planned(
    table: csv.DictReader,
    cells: Mapping[str, str],
    before: Sequence[PlannedExposure],
    aliases: Mapping[str, str] | None,
) -> PlannedExposure:
    """A row, in accord with those before it: a sweep has one filter, and its rows stay together."""
    name = canonical_filter(cells.get("filter", ""), aliases=aliases)
    if not name or not name.isprintable():
        raise InputError(f"the filter '{printable(name)}' cannot be used")
    found = {c: _number(table, cells, c) for c in PLAN_COLUMNS if c in _LIMITS}
    exposure = PlannedExposure(
        order=round(found["order"]), sweep=round(found["sweep"]), filter=name,
        position_steps=round(found["position_steps"]), exposure_s=found["exposure_s"],
        note=cells.get("note", ""),
    )  # fmt: skip
    if exposure.exposure_s < 1e-6:
        raise InputError(f"exposure_s '{cells['exposure_s']}' is not a number that can be used")
    of = {one.sweep: one.filter for one in before}
    if exposure.sweep in of and before[-1].sweep != exposure.sweep:
        raise InputError(f"sweep {exposure.sweep} was already over; put its rows together")
    if of.get(exposure.sweep, name) != name:
        raise InputError(f"sweep {exposure.sweep} is one of {of[exposure.sweep]}")
    return exposure


def _number(table: csv.DictReader, cells: Mapping[str, str], column: str) -> float:
    """The number that a cell holds; ``SetupError`` if it is none, or lies outside."""
    word = cells.get(column, "")
    low, high = _LIMITS[column]
    try:
        value = float(word if table.reader.dialect.delimiter == "," else word.replace(",", "."))
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise SetupError(f"{column} '{printable(word)}' is not a number that can be used")
    return value
