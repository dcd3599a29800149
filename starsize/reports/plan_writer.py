"""A plan as files: the table to follow and the document for programs."""

import dataclasses
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from ..frames.plan_csv import PLAN_COLUMNS, PLAN_DOCUMENT
from ..plan.planned import CapturePlan
from .document import plain
from .folder import FileSet, write_folder
from .numbers import number_text
from .plan_words import frame_note
from .tables import csv_text

PLAN_SCHEMA: Final[dict[str, Any]] = {"name": "starsize-plan", "version": 1}
PLAN_FILES: Final = FileSet(
    ("plan.csv", PLAN_DOCUMENT), document=PLAN_DOCUMENT, schema=PLAN_SCHEMA["name"]
)


def plan_document(plan: CapturePlan) -> dict[str, Any]:
    """A plan as plain data, for programs; ``plan_schema.json`` beside this module is its schema.

    Parameters
    ----------
    plan : CapturePlan

    Returns
    -------
    dict
        Times in seconds, positions and uncertainties in steps, the radius in pixels. ``setup`` has
        the tables of a setup file.

    Examples
    --------
    >>> from starsize import load_setup, plan_capture
    >>> plan = plan_capture(load_setup("setup.toml"))  # doctest: +SKIP
    >>> plan_document(plan)["duration_s"]  # doctest: +SKIP
    """
    offsets = {name: dataclasses.asdict(one) for name, one in plan.offsets.items()}
    document = {
        "schema": dict(PLAN_SCHEMA),
        "duration_s": plan.duration_s,
        "exposure_s": plan.exposure_s,
        "sweeps": len(plan.sweeps),
        "frames": len(plan.exposures),
        "reference": plan.reference,
        "wanted_sigma_steps": plan.wanted_sigma_steps,
        "reached": plan.reached,
        "expected_sigma_steps": {name: parts.pop("sigma") for name, parts in offsets.items()},
        "expected_parts_steps": offsets,
        "zone_steps": dict(plan.zone_steps),
        "can_answer": dict(plan.can_answer),
        "away_steps": list(plan.away_steps),
        "centre_steps": dict(plan.centre_steps),
        "run_in_steps": plan.run_in_steps,
        "more": [dataclasses.asdict(one) for one in plan.more],
        "hfr_px": plan.hfr_px,
        "few_stars": dict(plan.few_stars),
        "assumed": [dataclasses.asdict(one) for one in plan.assumed],
    }
    return {**plain(document), "setup": _stated(dataclasses.asdict(plan.setup))}


def plan_csv(plan: CapturePlan) -> str:
    """``plan.csv``: one row an exposure, in order."""
    return csv_text(PLAN_COLUMNS, _rows(plan))


def write_plan(plan: CapturePlan, out: Path | str, *, overwrite: bool = False) -> tuple[Path, ...]:
    """Write plan.csv and plan.json.

    Parameters
    ----------
    plan : CapturePlan
    out : Path or str
        Folder for the files; made if there is none.
    overwrite : bool
        Replace files of these names whoever wrote them.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputError
        As ``write_results``.

    Examples
    --------
    >>> from starsize import load_setup, plan_capture
    >>> write_plan(plan_capture(load_setup("setup.toml")), "tonight")  # doctest: +SKIP
    """
    return write_folder(
        Path(out),
        {"plan.csv": plan_csv(plan)},
        files=PLAN_FILES,
        document=plan_document(plan),
        overwrite=overwrite,
    )


def _rows(plan: CapturePlan) -> Iterator[list[str]]:
    for sweep in plan.sweeps:
        for place, one in enumerate(sweep):
            cells = (one.order, one.sweep, one.filter, one.position_steps)
            note = frame_note(plan, sweep, place)
            yield [*map(str, cells), number_text(one.exposure_s, digits=6), note]


def _stated(tables: Any) -> Any:
    """Nested tables without what is not stated."""
    if not isinstance(tables, dict):
        return list(tables) if isinstance(tables, tuple) else tables
    return {key: _stated(value) for key, value in tables.items() if value is not None}
