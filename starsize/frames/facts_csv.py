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
from .frame import FrameFacts
from .values import HIGHEST_DEGC, LONGEST_S, LOWEST_DEGC, MOST_STEPS, mjd
from .walk import nearest, text_of

#: What ``FrameFacts.position_from`` says of a position that stood in the table.
TABLE: Final = "facts table"
COLUMNS: Final = ("file", "filter", "position_steps", "temperature_degC", "exposure_s", "time")
_NUMBERS: Final = {
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


def read_facts_csv(path: Path) -> tuple[FactsRow, ...]:
    """Read a facts table; ``SetupError`` if it cannot be understood, or names a file twice.

    Columns ``file`` (name, or path as far as needed to be unique) and any of the others; ``time``
    is the start of the exposure, ISO 8601, UTC. Comma, semicolon or tab between cells; where it is
    not the comma, a decimal comma is understood.
    """
    content = text_of(path, "the facts table")
    separator = max(",;\t", key=content.split("\n", 1)[0].count)
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=separator)
    rows: dict[str, FactsRow] = {}
    try:
        columns = _columns(next(reader, []))
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            row = _row(reader.line_num, dict(zip(columns, cells, strict=False)), separator)
            if row.file in rows:
                raise SetupError(f"{row.file} is already in line {rows[row.file].line}")
            if len(cells) > len(columns):
                raise SetupError(f"{len(cells)} cells for {len(columns)} columns")
            rows[row.file] = row
    except (csv.Error, SetupError) as error:
        why = str(error) if isinstance(error, SetupError) else f"not a table ({error})"
        raise SetupError(f"{path}, line {max(reader.line_num, 1)}: {why}") from error
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
        if len(found) != 1:
            raise SetupError(f"{path}, line {row.line}: {_no_match(row, found, by_name)}")
        if found[0] in matched:
            other = matched[found[0]].line
            raise SetupError(f"{path}, line {row.line}: {row.file} is already in line {other}")
        matched[found[0]] = row
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


def _columns(header: list[str]) -> list[str]:
    columns = [name.strip() for name in header]
    for name in columns:
        if name not in COLUMNS:
            raise SetupError(f"unknown column '{name[:60]}'; {nearest(name, COLUMNS)}")
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
    stated: dict[str, Any] = {name: cell for name, cell in given.items() if name != "file"}
    for name in [name for name in _NUMBERS if name in given]:
        word = given[name].replace(",", ".") if separator != "," else given[name]
        stated[name] = number_in(name, word, *_NUMBERS[name])
    degrees = stated.get("temperature_degC", 0.0)
    if not LOWEST_DEGC <= degrees <= HIGHEST_DEGC:
        told = f"temperature_degC {degrees:g} is not the temperature of a telescope"
        raise SetupError(f"{told}; leave the cell empty where it is not known")
    if "time" in given:
        stated["time"] = mjd(given["time"])
        if stated["time"] is None:
            raise SetupError(f"time '{given['time']}' is not like 2026-01-31T22:15:00")
    return FactsRow(line, given["file"], stated)


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
