"""What became of each file, and the three tables of a run, as rows of text and as CSV."""

import csv
import dataclasses
import io
import math
import os
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np

from ..comparison.compared import OffsetRow
from ..curves.fitted import CurveFit
from ..estimate import NOT_KNOWN
from ..frames.frame import FrameFacts, InputFile
from ..tracking.measured import FrameRadius, MeasuredSweep
from .numbers import known, number_text, time_text
from .result import RunResult
from .sentences import VERDICT_WORDS


@dataclass(frozen=True, slots=True)
class Reading:
    """The radius that one curve took from a file (a colour camera's file serves three curves)."""

    sweep: str
    filter: str
    frame: FrameRadius
    used: bool
    reason: str | None
    """Why it is left out or weighed down; None if there is nothing to say."""


@dataclass(frozen=True, slots=True)
class FileEntry:
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
    parents = {path.parent for path in unique}
    if len(parents) <= 1:
        return {path: path.name for path in unique}
    try:
        common = Path(os.path.commonpath([str(parent) for parent in parents]))
    except ValueError:  # absolute and relative paths, or two drives: nothing is shared
        return {path: path.as_posix() for path in unique}
    return {path: path.relative_to(common).as_posix() for path in unique}


def file_entries(result: RunResult) -> tuple[FileEntry, ...]:
    """Follow every input file through the run, in the order given."""
    names = shown_names(item.path for item in result.files)
    readings: dict[Path, list[Reading]] = defaultdict(list)
    for measured, fit in zip(result.measured, result.curves.fits, strict=True):
        for reading in _readings(measured, fit):
            readings[reading.frame.facts.path].append(reading)
    return tuple(
        _entry(item, names[item.path], tuple(readings[item.path])) for item in result.files
    )


def _entry(item: InputFile, name: str, readings: tuple[Reading, ...]) -> FileEntry:
    used = any(reading.used for reading in readings)
    reason = item.reason
    if reason is None:
        said = dict.fromkeys(reading.reason for reading in readings if reading.reason)
        reason = "; ".join(said) or None
    if reason is None and not used:
        reason = "its sweep gave no answer" if readings else "part of no sweep"
    return FileEntry(name, item.facts, used, reason, readings)


def _readings(measured: MeasuredSweep, fit: CurveFit) -> Iterator[Reading]:
    """Join the frames of a sweep with the points of its curve, those that have a radius."""
    points = iter(zip(fit.used, fit.frame_reasons, strict=True))
    for frame in measured.frames:
        used = False
        reason: str | None = frame.reason or "no radius or no position"
        if math.isfinite(frame.radius_px):
            used, reason = next(points, (used, reason))
            if not fit.answered and not reason:
                reason = f"sweep {measured.id} gave no answer: {VERDICT_WORDS[fit.verdict]}"
        yield Reading(measured.id, measured.filter, frame, bool(used) and fit.answered, reason)


#: The contract: name and order of the columns of offsets.csv.
OFFSET_COLUMNS = tuple(field.name for field in dataclasses.fields(OffsetRow))

_OFFSET_SIGMA = {
    **dict.fromkeys(("best_focus_steps", "best_focus_sigma_steps"), "best_focus_sigma_steps"),
    **dict.fromkeys(
        [n for n in OFFSET_COLUMNS if n.startswith(("offset_", "sigma_")) and n != "offset_um"],
        "offset_sigma_steps",
    ),
    "growth_if_ignored": "grown",
}

CURVE_COLUMNS = (
    "sweep", "filter", "approach", "start_utc", "temperature_degC", "frames", "frames_used",
    "stars", "verdict", "answered", "model", "best_focus_steps", "best_focus_sigma_steps", "dof",
    "low68_steps", "high68_steps", "low95_steps", "high95_steps", "floor_px", "floor_sigma_px",
    "slope_px_per_step", "slope_sigma_px_per_step", "jitter", "chi2_reduced",
    "wing_centre_steps", "wing_centre_sigma_steps", "hyperbola_steps", "hyperbola_sigma_steps",
    "v_steps", "v_sigma_steps", "bound_low_steps", "bound_high_steps", "reason",
    "play_steps", "play_sigma_steps",
)  # fmt: skip

_ESTIMATES = (
    ("floor", "px"), ("slope", "px_per_step"), ("wing_centre", "steps"), ("hyperbola", "steps"),
    ("v", "steps"), ("play", "steps"),
)  # fmt: skip

FRAME_COLUMNS = (
    "file", "used", "reason", "kind", "sweep", "filter", "position_steps", "temperature_degC",
    "time_utc", "exposure_s", "channel", "hfr_px", "hfr_sigma_px", "stars", "stars_found",
    "elongation", "background_adu",
)  # fmt: skip


def csv_text(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    r"""Comma-separated text: header first, ``\n`` line ends, quotes where they are needed."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([harmless(cell) for cell in row] for row in rows)
    return out.getvalue()


def harmless(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula; numbers stay numbers.

    Text that begins like a formula gets an apostrophe before it (OWASP, "CSV Injection").

    Examples
    --------
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


def row_cells(
    row: Mapping[str, Any], columns: Sequence[str], sigma_of: Mapping[str, str]
) -> list[str]:
    """The cells of one row; a number is rounded to the uncertainty that ``sigma_of`` names."""
    return [cell_text(row[name], sigma=row.get(sigma_of.get(name, ""))) for name in columns]


def cell_text(value: str | bool | float | None, *, sigma: float | None = None) -> str:
    """One cell: yes or no, text as it is, a number rounded to its uncertainty; empty for None."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if isinstance(value, int):
        return str(value)
    return number_text(value, sigma=sigma)


def offsets_csv(result: RunResult) -> str:
    """``offsets.csv``: one row per filter."""
    rows = []
    for row in result.comparison.rows:
        grown = row.growth_if_ignored or NOT_KNOWN
        cells = dataclasses.asdict(row) | {"growth_if_ignored": grown.value, "grown": grown.sigma}
        rows.append(row_cells(cells, OFFSET_COLUMNS, _OFFSET_SIGMA))
    return csv_text(OFFSET_COLUMNS, rows)


def curves_csv(result: RunResult) -> str:
    """``curves.csv``: one row per sweep, per channel of it for a colour camera.

    ``play_steps`` and ``play_sigma_steps``, empty in most rows, say how far the counter ran at the
    start of the sweep before the camera moved. New columns are added at the end only.
    """
    pairs = zip(result.measured, result.curves.fits, strict=True)
    return csv_text(CURVE_COLUMNS, [_curve_cells(measured, fit) for measured, fit in pairs])


def frames_csv(result: RunResult) -> str:
    """``frames.csv``: one row per input file, used or not, and why."""
    return csv_text(FRAME_COLUMNS, [_frame_cells(entry) for entry in file_entries(result)])


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


def _curve_cells(measured: MeasuredSweep, fit: CurveFit) -> list[str]:
    best = fit.best_sigma_steps
    cells = {
        "sweep": measured.id,
        "filter": measured.filter,
        "approach": fit.curve.approach,
        "start_utc": time_text(start_mjd(measured)),
        "temperature_degC": number_text(mean_temperature(fit), digits=4),
        "frames": str(len(measured.frames)),
        "frames_used": str(int(fit.used.sum()) if fit.answered else 0),
        "stars": str(stars_of(fit)),
        "verdict": fit.verdict,
        "answered": cell_text(fit.answered),
        "model": fit.model if fit.answered else "",
        "best_focus_steps": number_text(fit.best_steps, sigma=best),
        "best_focus_sigma_steps": number_text(best, sigma=best),
        "dof": number_text(fit.dof, digits=4),
        "jitter": number_text(fit.jitter, digits=3),
        "chi2_reduced": number_text(fit.chi2_reduced, digits=4),
        "reason": fit.reason,
    }
    for name, ends, sigma in (
        ("68", fit.interval68_steps, best),
        ("95", fit.interval95_steps, best),
        ("", fit.bound_steps if not fit.answered else (math.nan, math.nan), None),
    ):
        for side, end in zip(("low", "high"), ends, strict=True):
            column = f"{side}{name}_steps" if name else f"bound_{side}_steps"
            cells[column] = number_text(end, sigma=sigma)
    for name, unit in _ESTIMATES:
        estimate = getattr(fit, f"{name}_{unit}")
        cells[f"{name}_{unit}"] = number_text(estimate.value, sigma=estimate.sigma)
        cells[f"{name}_sigma_{unit}"] = number_text(estimate.sigma, sigma=estimate.sigma)
    return [cells[name] for name in CURVE_COLUMNS]


def _frame_cells(entry: FileEntry) -> list[str]:
    facts, reading = entry.facts, entry.main_reading
    cells = dict.fromkeys(FRAME_COLUMNS, "")
    # The same file for scripts, and no formula for spreadsheets.
    name = f"./{entry.file}" if harmless(entry.file) != entry.file else entry.file
    cells |= {"file": name, "used": cell_text(entry.used), "reason": entry.reason or ""}
    if facts:
        cells |= {
            "kind": facts.kind,
            "filter": facts.filter or "",
            "position_steps": number_text(facts.position_steps, digits=10),
            "temperature_degC": number_text(facts.temperature_degC, digits=4),
            "time_utc": time_text(facts.mid_time_mjd),
            "exposure_s": number_text(facts.exposure_s),
        }
    if reading:
        frame = reading.frame
        sigma = frame.radius_sigma_px
        cells |= {
            "sweep": reading.sweep,
            "filter": cells["filter"] or reading.filter,
            "channel": reading.filter if len(entry.readings) > 1 else "",
            "hfr_px": number_text(frame.radius_px, sigma=sigma),
            "hfr_sigma_px": number_text(sigma, sigma=sigma),
            "stars": str(frame.n_stars),
            "stars_found": str(frame.n_found),
            "elongation": number_text(frame.elongation, digits=3),
            "background_adu": number_text(frame.background_adu, digits=5),
        }
    return [cells[name] for name in FRAME_COLUMNS]


def left_out_letters(fit: CurveFit) -> list[str]:
    """The letter of each frame of the curve that is left out, in order; empty of those used."""
    names = (chr(ord("a") + i) if i < 26 else str(i + 1) for i in count())
    return ["" if used else next(names) for used in fit.used]
