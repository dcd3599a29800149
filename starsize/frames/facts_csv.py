"""The facts table: what headers lack or have wrong, given by the person as a CSV file."""

import csv
import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from pathlib import Path, PurePosixPath
from typing import Any, Final

from ..errors import SetupError, printable
from ..filters import canonical_filter
from .facts import with_mid_time
from .frame import FrameFacts
from .values import HIGHEST_DEGC, LONGEST_S, LOWEST_DEGC, MOST_STEPS, mjd
from .walk import text_of

#: What ``FrameFacts.position_from`` says of a position that stood in the table.
TABLE: Final = "facts table"
COLUMNS: Final = ("file", "filter", "position_steps", "temperature_degC", "exposure_s", "time")
_NUMBERS: Final = ("position_steps", "temperature_degC", "exposure_s")


@dataclass(frozen=True, slots=True)
class FactsRow:
    """One line of the facts table; None where its cell is empty."""

    line: int
    file: str
    filter: str | None = None
    position_steps: float | None = None
    temperature_degC: float | None = None
    exposure_s: float | None = None
    start_mjd: float | None = None


def read_facts_csv(path: Path) -> tuple[FactsRow, ...]:
    """Read a facts table.

    Columns ``file`` (name, or path as far as needed to be unique) and any of ``filter``,
    ``position_steps``, ``temperature_degC``, ``exposure_s``, ``time`` (start of the exposure, ISO
    8601, UTC). Comma, semicolon or tab between cells; where it is not the comma, a decimal comma
    is understood.

    ``SetupError`` if the file cannot be read, a column is unknown or missing, a cell cannot be
    understood, or two lines name the same file.
    """
    content = text_of(path, "the facts table")
    first = content.split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=separator)
    try:
        return _read_rows(reader, separator)
    except (csv.Error, SetupError) as error:
        why = str(error) if isinstance(error, SetupError) else f"not a table ({error})"
        raise SetupError(f"{path}, line {max(reader.line_num, 1)}: {why}") from error


def _read_rows(reader: Any, separator: str) -> tuple[FactsRow, ...]:
    columns = _columns(next(reader, []))
    rows: dict[str, FactsRow] = {}
    for cells in reader:
        if not any(cell.strip() for cell in cells):
            continue
        row = _row(reader.line_num, dict(zip(columns, cells, strict=False)), separator)
        if row.file in rows:
            raise SetupError(f"{row.file} is already in line {rows[row.file].line}")
        if len(cells) > len(columns):
            raise SetupError(f"{len(cells)} cells for {len(columns)} columns")
        rows[row.file] = row
    return tuple(rows.values())


def match_rows(
    path: Path, rows: Iterable[FactsRow], files: Iterable[Path]
) -> Mapping[Path, FactsRow]:
    """Find the file that each line of the facts table means.

    ``SetupError`` if a line names no file that was given, or several, or two lines name the same.
    """
    by_name: dict[str, list[Path]] = {}
    for file in files:
        by_name.setdefault(file.name, []).append(file)
    matched: dict[Path, FactsRow] = {}
    for row in rows:
        wanted = PurePosixPath(row.file.replace("\\", "/")).parts
        found = [f for f in by_name.get(wanted[-1], []) if f.parts[-len(wanted) :] == wanted]
        if len(found) != 1:
            raise SetupError(f"{path}, line {row.line}: {_no_match(row, found, by_name)}")
        if found[0] in matched:
            other = matched[found[0]].line
            raise SetupError(f"{path}, line {row.line}: {row.file} is already in line {other}")
        matched[found[0]] = row
    return matched


def apply_row(facts: FrameFacts, row: FactsRow, aliases: Mapping[str, str]) -> FrameFacts:
    """Return the facts with what the line of the table states; the table wins."""
    if row.filter is not None:
        name = canonical_filter(row.filter, aliases=aliases)
        facts = replace(facts, filter=name, filter_written=row.filter)
    if row.position_steps is not None:
        facts = replace(facts, position_steps=row.position_steps, position_from=TABLE)
    if row.temperature_degC is not None:
        facts = replace(facts, temperature_degC=row.temperature_degC, temperature_of="focuser")
    if row.exposure_s is not None:
        facts = replace(facts, exposure_s=row.exposure_s)
    return facts if row.start_mjd is None else with_mid_time(facts, row.start_mjd)


def _columns(header: list[str]) -> list[str]:
    columns = [name.strip() for name in header]
    for name in columns:
        if name not in COLUMNS:
            near = get_close_matches(name[:60], COLUMNS, n=1, cutoff=0.5)
            hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(COLUMNS)}"
            raise SetupError(f"unknown column '{name[:60]}'; {hint}")
        if columns.count(name) > 1:
            raise SetupError(f"column '{name}' is there twice")
    if "file" not in columns:
        raise SetupError("there is no column 'file'")
    return columns


def _row(line: int, cells: Mapping[str, str], separator: str) -> FactsRow:
    given = {name: cell.strip() for name, cell in cells.items() if cell.strip()}
    if not given.get("filter", "").isprintable():
        raise SetupError("the filter's name holds characters that cannot be shown")
    if "file" not in given:
        raise SetupError("the cell 'file' is empty")
    numbers = {}
    for name in _NUMBERS:
        if name in given:
            word = given[name].replace(",", ".") if separator != "," else given[name]
            low, high = (0.0, LONGEST_S) if name == "exposure_s" else (-MOST_STEPS, MOST_STEPS)
            numbers[name] = number_in(name, word, low, high)
    degrees = numbers.get("temperature_degC")
    if degrees is not None and not LOWEST_DEGC <= degrees <= HIGHEST_DEGC:
        msg = f"temperature_degC {degrees:g} is not the temperature of a telescope; leave the cell "
        msg += "empty where it is not known"
        raise SetupError(msg)
    start = None
    if "time" in given and (start := mjd(given["time"])) is None:
        raise SetupError(f"time '{given['time']}' is not like 2026-01-31T22:15:00")
    return FactsRow(line, given["file"], given.get("filter"), start_mjd=start, **numbers)


def number_in(column: str, word: str, low: float, high: float) -> float:
    """The number that a cell holds; ``SetupError`` if it is none, or lies outside."""
    try:
        value = float(word)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise SetupError(f"{column} '{printable(word)}' is not a number that can be used")
    return value


def _no_match(row: FactsRow, found: list[Path], by_name: Mapping[str, list[Path]]) -> str:
    if found:
        return f"{row.file} could be {len(found)} of the files given; write its folder too"
    near = get_close_matches(row.file, by_name, n=1, cutoff=0.7)
    hint = f" (did you mean {near[0]}?)" if near else ""
    return f"{row.file} is not among the files given{hint}"
