"""What is written: a run, a comparison of two, a plan, a night; tables, document, page of each."""

import dataclasses
import math
from pathlib import Path
from typing import Final

from ..cache import Cache, recalled
from ..comparison.sets import SetComparison, SetRow
from ..estimate import Estimate
from ..frames.tables import PLAN_COLUMNS
from ..night import NightResult
from ..plan.planned import CapturePlan
from .document import Document, Joined, plain, result_document, schema_of, stated
from .folder import (
    COMPARISON_FILES,
    NIGHT_FILES,
    PLAN_FILES,
    RESULT_FILES,
    keep_apart,
    write_folder,
)
from .numbers import time_text
from .page import comparison_html, night_html, report_html
from .result import RunResult
from .tables import cells, csv_text, curves_csv, frames_csv, offsets_csv, own_fields
from .words import macros

#: Name and order of the columns of comparison.csv.
COMPARISON_COLUMNS: Final = tuple(field.name for field in dataclasses.fields(SetRow))
#: Name and order of the columns of night.csv.
NIGHT_COLUMNS: Final = (
    "file", "time_utc", "filter", "position_steps", "temperature_degC", "hfr_px", "hfr_sigma_px",
    "shape", "shape_sigma", "stars", "elongation", "background_adu", "state", "cause",
    "probability_lost", "growth", "growth_sigma", "defocus_steps", "defocus_sigma_steps", "reason",
    "side_known", "defocus_zones", "defocus_sigma_zones", "elongation_angle_deg",
    "altitude_deg",
)  # fmt: skip


def write_results(
    result: RunResult, out: Path | str, *, overwrite: bool = False, cache: Cache | None = None
) -> tuple[Path, ...]:
    """Write offsets.csv, curves.csv, frames.csv, report.html and result.json.

    Each is written whole or not at all; if that fails half-way, those there before are put back.
    Files of an earlier run are replaced; one that starsize did not write, or that was changed
    since, is never touched.

    Parameters
    ----------
    result : RunResult
    out : Path or str
        Folder for the files; made if there is none.
    overwrite : bool
        Replace files of these names whoever wrote them.
    cache : Cache, optional
        Where tables and page of the same result were kept before.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    OutputError
        If ``out`` is a file, is the folder of the frames, holds files of these names that are not
        ours, or cannot be written.

    Examples
    --------
    >>> from starsize import measure_offsets
    >>> write_results(measure_offsets(["my-night"]), "my-results")  # doctest: +SKIP
    """
    folder = Path(out)
    keep_apart(folder, result.files)
    texts = recalled(cache, result_texts, result)
    return write_folder(folder, texts, RESULT_FILES, result_document(result), overwrite=overwrite)


def result_texts(result: RunResult) -> dict[str, str]:
    """The tables and the page, by the name of their file."""
    return {
        "offsets.csv": offsets_csv(result),
        "curves.csv": curves_csv(result),
        "frames.csv": frames_csv(result),
        "report.html": report_html(result),
    }


def comparison_document(comparison: SetComparison) -> Document:
    """The comparison of two runs as plain data: ``schema``, fields, notices as ``warnings``."""
    document = {"schema": COMPARISON_FILES.schema, **plain(comparison)}
    document["warnings"] = document.pop("notices")
    return document


def write_comparison(
    comparison: SetComparison, out: Path | str, *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write comparison.csv, comparison.html and comparison.json as ``write_results`` does."""
    rounding = {f"{run}_offset_steps": f"{run}_sigma_steps" for run in ("old", "new")}
    texts = {
        "comparison.csv": csv_text(COMPARISON_COLUMNS, map(cells, comparison.rows), rounding),
        "comparison.html": comparison_html(comparison),
    }
    document = comparison_document(comparison)
    return write_folder(Path(out), texts, COMPARISON_FILES, document, overwrite=overwrite)


def plan_document(plan: CapturePlan) -> Document:
    """A plan as plain data, for programs; ``plan_schema.json`` beside this module is its schema.

    Returns
    -------
    dict
        Units stand in the names of the keys; ``setup`` has the tables of a setup file.

    Examples
    --------
    >>> from starsize import load_setup, plan_capture
    >>> plan = plan_capture(load_setup("setup.toml"))  # doctest: +SKIP
    >>> plan_document(plan)["duration_s"]  # doctest: +SKIP
    """
    view = Joined(
        plan,
        schema=PLAN_FILES.schema,
        sweeps=len(plan.sweeps),
        frames=len(plan.exposures),
        expected_sigma_steps={name: one.sigma for name, one in plan.offsets.items()},
        expected_parts_steps=plan.offsets,
        setup=None,
    )
    # The setup to the last digit: it is read again.
    setup = stated(dataclasses.asdict(plan.setup))
    return plain(view, schema_of("plan_schema.json")) | {"setup": setup}


def write_plan(plan: CapturePlan, out: Path | str, *, overwrite: bool = False) -> tuple[Path, ...]:
    """Write plan.csv and plan.json.

    Parameters
    ----------
    plan : CapturePlan
    out, overwrite
        As ``write_results`` takes them, with the same care.

    Returns
    -------
    tuple of Path
        The files written.

    Examples
    --------
    >>> from starsize import load_setup, plan_capture
    >>> write_plan(plan_capture(load_setup("setup.toml")), "tonight")  # doctest: +SKIP
    """
    rows = []
    for sweep in plan.sweeps:
        for one in sweep:
            note = "about in focus" if one.position_steps == plan.centre_steps[one.filter] else ""
            if one is sweep[0]:
                start = one.position_steps - plan.run_in_steps
                note = f"first go to {start}, then up to here (run-in)"
            rows.append({**dataclasses.asdict(one), "note": note})
    texts = {"plan.csv": csv_text(PLAN_COLUMNS, rows)}
    return write_folder(Path(out), texts, PLAN_FILES, plan_document(plan), overwrite=overwrite)


def night_document(result: NightResult) -> Document:
    """A night as plain data; ``frames`` are the rows of night.csv."""
    rule, equipment = result.rule, result.equipment
    zone = equipment.zone_steps
    rate = result.coefficient.times(zone)
    states = [frame.state for frame in result.frames]
    filters = [
        {
            **own_fields(one, "filter", "frames"),
            "offset_change_steps": Estimate(one.change_zones, one.change_sigma_zones).times(zone),
            **own_fields(one, "side_known", "agrees"),
        }
        for one in result.offsets
    ]
    document = {
        "schema": NIGHT_FILES.schema,
        "summary": {
            "text": macros("night_said.txt").headline(result),
            **{s: states.count(s) for s in ("held", "lost", "unclear")},
        },
        "growth_limit": result.limit,
        "frames": _night_rows(result),
        "filters": filters,
        "course": {
            "steps_per_degC": rate if result.by_degree else None,
            "steps_per_hour": None if result.by_degree else rate,
            # Of temperature, time and altitude at once, what the night tells apart.
            "together": {f"steps_per_{name}": way.times(zone) for name, way in result.ways.items()},
        },
        "rule": rule and {**plain(rule), "limit_steps": rule.limit_zones * zone},
        "telescope": {
            "from_sweeps": equipment.learnt,
            "field_zones": None if equipment.field is None else equipment.field.zones,
            "zone_steps": zone,
            "reference": equipment.reference or None,
        },
        "unused": [{"file": file.path.name, "reason": file.reason} for file in result.unused],
        "warnings": result.notices,
    }
    return plain(document)


def night_csv(result: NightResult) -> str:
    """``night.csv``: a row a frame."""
    rows = _night_rows(result)
    for row in rows:
        if math.isfinite(row["probability_lost"]):
            row["probability_lost"] = f"{row['probability_lost']:.4f}"
    return csv_text(NIGHT_COLUMNS, rows, {name: 6 for name in NIGHT_COLUMNS if "_sigma" in name})


def _night_rows(result: NightResult) -> list[Document]:
    said, zone, rows = macros("night_said.txt"), result.equipment.zone_steps, []
    for k, (one, frame) in enumerate(zip(result.exposures, result.frames, strict=True)):
        row = Joined(
            one, frame,
            time_utc=time_text(one.time_mjd),
            cause=said.cause(result.causes[k]),
            defocus_steps=frame.defocus_zones * zone,
            defocus_sigma_steps=frame.defocus_sigma_zones * zone,
            reason=said.reason(result, k),
        )  # fmt: skip
        rows.append(own_fields(row, *NIGHT_COLUMNS))
    return rows


def write_night_result(
    result: NightResult, out: Path | str, *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write night.csv, night.html and night.json as ``write_results`` does."""
    texts = {"night.csv": night_csv(result), "night.html": night_html(result)}
    return write_folder(Path(out), texts, NIGHT_FILES, night_document(result), overwrite=overwrite)
