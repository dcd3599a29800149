"""One entry per input file: what became of it, through all layers."""

import math
import os
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from ..curves.fitted import CurveFit
from ..frames.frame import FrameFacts, InputFile
from ..tracking.measured import FrameRadius, MeasuredSweep
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


def _readings(measured: MeasuredSweep, fit: CurveFit) -> list[Reading]:
    """Join the frames of a sweep with the entries of its curve, which holds the measured ones."""
    found, entry, names = [], 0, fit.curve.names
    aligned = sum(_is_measured(frame) for frame in measured.frames) == len(names)
    for frame in measured.frames:
        on_curve = entry < len(names) and _is_measured(frame)
        if not (on_curve and (aligned or names[entry] == frame.facts.path.name)):
            why = frame.reason or "no radius or no position"
            found.append(Reading(measured.id, measured.filter, frame, False, why))
            continue
        used = bool(fit.used[entry]) and fit.answered
        reason = fit.frame_reasons[entry]
        if not fit.answered and not reason:
            reason = f"sweep {measured.id} gave no answer: {VERDICT_WORDS[fit.verdict]}"
        found.append(Reading(measured.id, measured.filter, frame, used, reason))
        entry += 1
    return found


def _is_measured(frame: FrameRadius) -> bool:
    return math.isfinite(frame.radius_px) and frame.facts.position_steps is not None
