"""Tables with units: offsets, curves and frames as QTables, stars as ECSV."""

import dataclasses
import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import astropy.units as u
import numpy as np
from astropy.table import QTable

from ..estimate import Estimate
from .folder import write_whole
from .result import RunResult
from .tables import file_entries, own_fields

_UNITS: Final = {"um": u.um, "px": u.pix, "degC": u.deg_C, "s": u.s, "adu": u.adu}
_FACTS: Final = ("kind", "position_steps", "temperature_degC", "mid_time_mjd", "exposure_s")
_RADIUS: Final = ("radius_px", "radius_sigma_px", "stars", "elongation", "background_adu")


def offsets_table(result: RunResult) -> QTable:
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
    return _table([_cells(row, ()) for row in result.comparison.rows])


def curves_table(result: RunResult) -> QTable:
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
    return _table(
        [
            own_fields(fit.curve, "id", "filter", "approach") | _cells(fit, skip)
            for fit in result.curves.fits
        ]
    )


def frames_table(result: RunResult) -> QTable:
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
    for entry in file_entries(result):
        facts = {name: getattr(entry.facts, name, None) for name in _FACTS}
        for reading in entry.readings or (None,):
            told, frame = reading or entry, reading.frame if reading else None
            row = {
                "file": entry.file,
                "used": told.used,
                "reason": told.reason or "",
                "sweep": reading.sweep if reading else "",
                "filter": getattr(reading or entry.facts, "filter", ""),
                **facts,
                **{name: getattr(frame, name, None) for name in _RADIUS},
            }
            rows.append(row | {"stars": frame.n_stars if frame else 0})
    return _table(rows)


def _cells(record: Any, skip: Sequence[str]) -> dict[str, Any]:
    """The fields of a dataclass, an estimate as two, an interval as its two ends."""
    cells: dict[str, Any] = {}
    for field in dataclasses.fields(record):
        value = getattr(record, field.name)
        if field.name in skip:
            continue
        if isinstance(value, tuple):
            cells[f"low_{field.name}"], cells[f"high_{field.name}"] = value
        elif isinstance(value, Estimate) or field.name == "growth_if_ignored":
            first, _, unit = field.name.rpartition("_")
            sigma = f"{first}_sigma_{unit}" if unit in ("px", "steps") else f"{field.name}_sigma"
            cells[field.name] = value.value if value else math.nan
            cells[sigma] = value.sigma if value else math.nan
        else:
            cells[field.name] = value
    return cells


def _table(rows: Sequence[Mapping[str, Any]]) -> QTable:
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


def write_star_table(path: Path | str, table: QTable, *, overwrite: bool = False) -> Path:
    """Write a star table as ECSV (units and flags kept), whole or not at all.

    Read it again with ``astropy.table.QTable.read(path, format="ascii.ecsv")``.
    """
    text = io.StringIO(newline="")
    table.write(text, format="ascii.ecsv", delimiter=",")
    return write_whole(Path(path), text.getvalue().replace("\r\n", "\n"), overwrite=overwrite)
