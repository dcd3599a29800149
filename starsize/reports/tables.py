"""What became of each file, and the tables of a run: as CSV, as QTables with units, as ECSV."""

import csv
import dataclasses
import io
import math
import os
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import lru_cache
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import astropy.units as u
import numpy as np

from ..comparison.compared import OffsetRow
from ..curves.fitted import CurveFit, residual_sigmas
from ..estimate import NOT_KNOWN, Estimate
from ..frames.frame import FrameFacts
from ..tracking.measured import FrameRadius, MeasuredSweep
from .folder import write_whole
from .numbers import known, number_text, time_text
from .result import RunResult
from .words import macros

if TYPE_CHECKING:  # takes long to load, and few runs need it
    from astropy.table import QTable

#: The contract: name and order of the columns of offsets.csv.
OFFSET_COLUMNS: Final = tuple(field.name for field in dataclasses.fields(OffsetRow))
CURVE_COLUMNS: Final = (
    "sweep", "filter", "approach", "start_utc", "temperature_degC", "frames", "frames_used",
    "stars", "verdict", "answered", "model", "best_focus_steps", "best_focus_sigma_steps", "dof",
    "low68_steps", "high68_steps", "low95_steps", "high95_steps", "floor_px", "floor_sigma_px",
    "slope_px_per_step", "slope_sigma_px_per_step", "jitter", "chi2_reduced",
    "wing_centre_steps", "wing_centre_sigma_steps", "hyperbola_steps", "hyperbola_sigma_steps",
    "v_steps", "v_sigma_steps", "bound_low_steps", "bound_high_steps", "reason",
    "play_steps", "play_sigma_steps",
)  # fmt: skip
FRAME_COLUMNS: Final = (
    "file", "used", "reason", "kind", "sweep", "filter", "position_steps", "temperature_degC",
    "time_utc", "exposure_s", "channel", "hfr_px", "hfr_sigma_px", "stars", "stars_found",
    "elongation", "background_adu",
)  # fmt: skip
#: Columns of curves.csv that ``cells`` of a fit has under another name.
_OF_FIT: Final = {
    "best_focus_steps": "best_steps", "best_focus_sigma_steps": "best_sigma_steps",
    "slope_sigma_px_per_step": "slope_px_per_step_sigma",
    **{f"{end}{share}_steps": f"{end}_interval{share}_steps"
       for end in ("low", "high") for share in (68, 95)},
    "bound_low_steps": "low_bound_steps", "bound_high_steps": "high_bound_steps",
}  # fmt: skip

#: For each column of the three the one that holds its uncertainty, or the digits that it has.
_ROUNDING: Final[Mapping[str, str | int]] = {
    **dict.fromkeys(("low68_steps", "high68_steps"), "best_focus_sigma_steps"),
    **dict.fromkeys(("low95_steps", "high95_steps"), "best_focus_sigma_steps"),
    **dict.fromkeys(("sigma_frames_steps", "sigma_focuser_steps"), "offset_sigma_steps"),
    "offset_half997_steps": "offset_sigma_steps", "growth_if_ignored": "growth_if_ignored_sigma",
    "position_steps": 10, "temperature_degC": 4, "dof": 4, "jitter": 3, "chi2_reduced": 4,
    "elongation": 3, "background_adu": 5,
}  # fmt: skip
_UNITS: Final = {"um": u.um, "px": u.pix, "degC": u.deg_C, "s": u.s, "adu": u.adu}


class Reading(NamedTuple):
    """The radius that one curve took from a file (a colour camera's file serves three curves).

    ``reason`` says why it is left out or weighed down; None if there is nothing to say.
    """

    sweep: str
    filter: str
    frame: FrameRadius
    used: bool
    reason: str | None


class FileEntry(NamedTuple):
    """One input file: used or not, why, and its readings."""

    file: str
    facts: FrameFacts | None
    used: bool
    reason: str | None
    readings: tuple[Reading, ...]

    @property
    def main_reading(self) -> Reading | None:
        """The reading shown where there is room for one: green of a colour camera."""
        green = (reading for reading in self.readings if reading.filter == "G")
        return next(green, self.readings[0] if self.readings else None)


def shown_names(paths: Iterable[Path]) -> dict[Path, str]:
    """File names as shown: below the folder that all share, so no path of the machine is told."""
    unique = list(dict.fromkeys(paths))
    try:
        common = os.path.commonpath([str(path.parent) for path in unique])
    except ValueError:  # no paths, absolute and relative ones, or two drives: nothing is shared
        return {path: path.as_posix() for path in unique}
    return {path: path.relative_to(common).as_posix() for path in unique}


def file_entries(result: RunResult) -> tuple[FileEntry, ...]:
    """Follow every input file through the run, in the order given."""
    names = shown_names(item.path for item in result.files)
    readings: dict[Path, list[Reading]] = defaultdict(list)
    for pair in zip(result.measured, result.curves.fits, strict=True):
        for reading in _readings(*pair):
            readings[reading.frame.facts.path].append(reading)
    entries = []
    for item in result.files:
        mine = tuple(readings[item.path])
        used = any(reading.used for reading in mine)
        said = dict.fromkeys(reading.reason for reading in mine if reading.reason)
        reason = "; ".join(said) or None if item.reason is None else item.reason
        if reason is None and not used:
            reason = "its sweep gave no answer" if mine else "part of no sweep"
        entries.append(FileEntry(names[item.path], item.facts, used, reason, mine))
    return tuple(entries)


def _readings(measured: MeasuredSweep, fit: CurveFit) -> Iterator[Reading]:
    """Join the frames of a sweep with the points of its curve, those that have a radius."""
    points = iter(zip(fit.used, fit.frame_reasons, strict=True))
    for frame in measured.frames:
        used = False
        reason: str | None = frame.reason or "no radius or no position"
        if math.isfinite(frame.radius_px):
            used, reason = next(points, (used, reason))
            if not fit.answered and not reason:
                verdict = macros("said.txt").verdicts[fit.verdict]
                reason = f"sweep {measured.id} gave no answer: {verdict}"
        yield Reading(measured.id, measured.filter, frame, bool(used) and fit.answered, reason)


#: Of each frame of a sweep; kept, for page and drawing show them both.
residuals = lru_cache(maxsize=64)(residual_sigmas)


def left_out_letters(fit: CurveFit) -> list[str]:
    """The letter of each frame of the curve that is left out, in order; empty of those used."""
    names = (chr(ord("a") + i) if i < 26 else str(i + 1) for i in count())
    return ["" if used else next(names) for used in fit.used]


def stars_of(fit: CurveFit) -> int:
    """Stars in the middle one of the frames that count."""
    counts = fit.curve.n_stars[fit.used] if fit.used.any() else fit.curve.n_stars
    return round(float(np.median(counts))) if counts.size else 0


def mean_temperature(fit: CurveFit) -> float | None:
    """Mean of the temperatures known for a sweep, degC."""
    seen = fit.curve.temperature_degC[np.isfinite(fit.curve.temperature_degC)]
    return float(seen.mean()) if seen.size else None


def start_mjd(measured: MeasuredSweep) -> float | None:
    """Time of the first frame of a sweep, measured or not."""
    times = (known(facts.mid_time_mjd) for facts in measured.sweep.frames)
    return min((time for time in times if time is not None), default=None)


def own_fields(thing: object, *names: str) -> dict[str, Any]:
    """Some attributes under their own names."""
    return {name: getattr(thing, name) for name in names}


def cells(record: Any, skip: Sequence[str] = ()) -> dict[str, Any]:
    """The fields of a dataclass, an estimate as two, an interval as its two ends."""
    found: dict[str, Any] = {}
    for field in dataclasses.fields(record):
        name, value = field.name, getattr(record, field.name)
        if name in skip:
            continue
        if isinstance(value, tuple):
            found[f"low_{name}"], found[f"high_{name}"] = value
        elif isinstance(value, Estimate) or name == "growth_if_ignored":
            first, _, unit = name.rpartition("_")
            sigma = f"{first}_sigma_{unit}" if unit in ("px", "steps") else f"{name}_sigma"
            found[name], found[sigma] = dataclasses.astuple(value or NOT_KNOWN)
        else:
            found[name] = value
    return found


def csv_text(
    columns: Sequence[str],
    rows: Iterable[Mapping[str, Any]],
    rounding: Mapping[str, str | int] | None = None,
) -> str:
    r"""Comma-separated text: header first, ``\n`` line ends, quotes where they are needed.

    Yes or no, text as it is, numbers rounded; empty for None and for what a row lacks. Where
    nothing else is said, ``a_sigma_px`` is what ``a_px`` and it itself are rounded to.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    sigmas = [name for name in columns if "_sigma" in name]
    digits: dict[str, str | int] = {name: name for name in sigmas}
    digits |= {name.replace("_sigma", ""): name for name in sigmas} | dict(rounding or {})
    for row in rows:
        writer.writerow([harmless(_cell(row, name, digits.get(name, 6))) for name in columns])
    return out.getvalue()


def _cell(row: Mapping[str, Any], name: str, rounding: str | int) -> str:
    value = row.get(name)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str | int):
        return str(value)
    if isinstance(rounding, int):
        return number_text(value, digits=rounding)
    return number_text(value, sigma=row.get(rounding))


def harmless(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula (OWASP, "CSV Injection"): ' stands before.

    >>> harmless("=1+1"), harmless("-12.5"), harmless("+19.8 +- 2.5 steps"), harmless("L")
    ("'=1+1", '-12.5', "'+19.8 +- 2.5 steps", 'L')
    """
    if not cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n")):
        return cell
    try:
        float(cell)
    except ValueError:
        return f"'{cell}"
    return cell


def offsets_csv(result: RunResult) -> str:
    """``offsets.csv``: one row per filter."""
    return csv_text(OFFSET_COLUMNS, map(cells, result.comparison.rows), _ROUNDING)


def curves_csv(result: RunResult) -> str:
    """``curves.csv``: a row per sweep, per channel of a colour camera; new columns at the end."""
    rows = []
    for measured, fit in zip(result.measured, result.curves.fits, strict=True):
        found = cells(fit, ("shape", "frame_reasons"))
        own = {
            **{name: found.get(_OF_FIT.get(name, name)) for name in CURVE_COLUMNS},
            "sweep": measured.id,
            **own_fields(fit.curve, "filter", "approach"),
            "start_utc": time_text(start_mjd(measured)),
            "temperature_degC": mean_temperature(fit),
            "frames": len(measured.frames),
            "frames_used": int(fit.used.sum()) if fit.answered else 0,
            "stars": stars_of(fit),
        }
        blank = ("bound_low_steps", "bound_high_steps") if fit.answered else ("model",)
        rows.append(own | dict.fromkeys(blank))
    return csv_text(CURVE_COLUMNS, rows, _ROUNDING)


def frames_csv(result: RunResult) -> str:
    """``frames.csv``: one row per input file, used or not, and why."""
    return csv_text(FRAME_COLUMNS, map(_frame_row, file_entries(result)), _ROUNDING)


def _frame_row(entry: FileEntry) -> dict[str, Any]:
    facts, reading = entry.facts, entry.main_reading
    # The same file for scripts, and no formula for spreadsheets.
    name = f"./{entry.file}" if harmless(entry.file) != entry.file else entry.file
    row: dict[str, Any] = {"file": name, **own_fields(entry, "used", "reason")}
    if facts:
        named = ("kind", "filter", "position_steps", "temperature_degC", "exposure_s")
        row |= own_fields(facts, *named) | {"time_utc": time_text(facts.mid_time_mjd)}
    if reading:
        frame = reading.frame
        row |= {
            "sweep": reading.sweep,
            "filter": row.get("filter") or reading.filter,
            "channel": reading.filter if len(entry.readings) > 1 else "",
            "hfr_px": frame.radius_px,
            "hfr_sigma_px": frame.radius_sigma_px,
            "stars": frame.n_stars,
            "stars_found": frame.n_found,
            **own_fields(frame, "elongation", "background_adu"),
        }
    return row


def offsets_table(result: RunResult) -> "QTable":
    """The offset table of a ``result``, one row per filter.

    Returns
    -------
    QTable
        Columns as in offsets.csv, numbers unrounded and NaN where not known; micrometres carry
        their unit, steps are plain numbers. ``growth_if_ignored`` has its ``_sigma`` beside it.

    Examples
    --------
    >>> from starsize import load_result
    >>> offsets_table(load_result("my-results"))["offset_um"]  # doctest: +SKIP
    """
    return _table([cells(row) for row in result.comparison.rows])


def curves_table(result: RunResult) -> "QTable":
    """The focus curves of a ``result``, one row per sweep.

    Returns
    -------
    QTable
        ``id``, ``filter``, ``approach`` and every number of ``CurveFit`` under its own name, each
        estimate with its ``_sigma`` beside it; pixels carry their unit.

    Examples
    --------
    >>> from starsize import load_result
    >>> curves_table(load_result("my-results"))["best_steps"]  # doctest: +SKIP
    """
    skip = ("curve", "used", "frame_reasons", "shape")
    named = ("id", "filter", "approach")
    return _table([own_fields(f.curve, *named) | cells(f, skip) for f in result.curves.fits])


def frames_table(result: RunResult) -> "QTable":
    """The frames of a ``result``, a row per radius: three of a colour camera, one without any.

    Returns
    -------
    QTable
        ``file``, ``used``, ``reason``, ``sweep``, ``filter``, what the header says and what was
        measured; degrees, seconds, pixels and counts carry their units.

    Examples
    --------
    >>> from starsize import load_result
    >>> frames_table(load_result("my-results"))["radius_px"]  # doctest: +SKIP
    """
    rows = []
    stated = ("kind", "position_steps", "temperature_degC", "mid_time_mjd", "exposure_s")
    found = ("radius_px", "radius_sigma_px", "stars", "elongation", "background_adu")
    for entry in file_entries(result):
        facts = {name: getattr(entry.facts, name, None) for name in stated}
        for reading in entry.readings or (None,):
            told, frame = reading or entry, reading.frame if reading else None
            rows.append(
                {
                    "file": entry.file,
                    "used": told.used,
                    "reason": told.reason or "",
                    "sweep": reading.sweep if reading else "",
                    "filter": getattr(reading or entry.facts, "filter", ""),
                    **facts,
                    **{name: getattr(frame, name, None) for name in found},
                    "stars": frame.n_stars if frame else 0,
                }
            )
    return _table(rows)


def _table(rows: Sequence[Mapping[str, Any]]) -> "QTable":
    from astropy.table import QTable

    table = QTable()
    for name in rows[0] if rows else ():
        values = [row[name] for row in rows]
        if all(value is None or isinstance(value, (float, int)) for value in values):
            if None in values:
                values = [math.nan if value is None else value for value in values]
            unit = _UNITS.get(name.rpartition("_")[2])
            table[name] = np.array(values) if unit is None else np.array(values, float) * unit
        else:
            table[name] = [value or "" for value in values]
    return table


def write_star_table(path: Path | str, table: "QTable", *, overwrite: bool = False) -> Path:
    """Write a star table as ECSV (units and flags kept), whole or not at all.

    Read it again with ``astropy.table.QTable.read(path, format="ascii.ecsv")``.
    """
    text = io.StringIO(newline="")
    table.write(text, format="ascii.ecsv", delimiter=",")
    return write_whole(Path(path), text.getvalue().replace("\r\n", "\n"), overwrite=overwrite)
