"""The comparison of two runs as files: table, document and page."""

import dataclasses
from pathlib import Path
from typing import Any, Final

from ..comparison.sets.compared import SetComparison, SetRow
from .compared_page import comparison_html
from .document import plain
from .folder import COMPARISON_FILES, write_folder
from .numbers import number_text
from .tables import csv_text

COMPARISON_SCHEMA: Final[dict[str, Any]] = {"name": "starsize-comparison", "version": 1}

#: Name and order of the columns of comparison.csv.
COMPARISON_COLUMNS: Final = tuple(field.name for field in dataclasses.fields(SetRow))

_SIGMA_OF: Final = {
    "old_offset_steps": "old_sigma_steps",
    "old_sigma_steps": "old_sigma_steps",
    "new_offset_steps": "new_sigma_steps",
    "new_sigma_steps": "new_sigma_steps",
    "change_steps": "change_sigma_steps",
    "change_sigma_steps": "change_sigma_steps",
}


def comparison_document(comparison: SetComparison) -> dict[str, Any]:
    """The comparison of two runs as plain data.

    Parameters
    ----------
    comparison : SetComparison

    Returns
    -------
    dict
        Keys as in ``SetComparison``, with ``schema`` before and ``warnings`` for its notices;
        ``rows`` are the rows of comparison.csv. Numbers that are not known are None.
    """
    document = {"schema": dict(COMPARISON_SCHEMA), **dataclasses.asdict(comparison)}
    document["warnings"] = document.pop("notices")
    return plain(document)


def comparison_csv(comparison: SetComparison) -> str:
    """``comparison.csv``: one row per filter of either run."""
    return csv_text(COMPARISON_COLUMNS, [_cells(row) for row in comparison.rows])


def write_comparison(
    comparison: SetComparison, out: Path | str, *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write comparison.csv, comparison.html and comparison.json.

    The same care as ``write_results`` takes: each file whole or not at all, never over a file that
    starsize did not write, unless ``overwrite``.

    Parameters
    ----------
    comparison : SetComparison
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
        If ``out`` is a file, holds files of these names that are not ours, or cannot be written.
    """
    texts = {
        "comparison.csv": comparison_csv(comparison),
        "comparison.html": comparison_html(comparison),
    }
    return write_folder(
        Path(out),
        texts,
        files=COMPARISON_FILES,
        document=comparison_document(comparison),
        overwrite=overwrite,
    )


def _cells(row: SetRow) -> list[str]:
    cells = []
    for name in COMPARISON_COLUMNS:
        value = getattr(row, name)
        if isinstance(value, bool):
            cells.append("yes" if value else "no")
        elif isinstance(value, str):
            cells.append(value)
        else:
            sigma = getattr(row, _SIGMA_OF[name]) if name in _SIGMA_OF else None
            cells.append(number_text(value, sigma=sigma))
    return cells
