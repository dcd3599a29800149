"""The comparison of two runs as files: table, document and page."""

import dataclasses
from pathlib import Path
from typing import Any, Final

from ..comparison.sets.compared import SetComparison, SetRow
from .compared_page import comparison_html
from .document import plain
from .folder import COMPARISON_FILES, write_folder
from .tables import csv_text, row_cells

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

    Keys as in ``SetComparison``, with ``schema`` before and ``warnings`` for its notices; ``rows``
    are the rows of comparison.csv. Numbers that are not known are None.
    """
    document: dict[str, Any] = {"schema": dict(COMPARISON_SCHEMA), **plain(comparison)}
    document["warnings"] = document.pop("notices")
    return document


def comparison_csv(comparison: SetComparison) -> str:
    """``comparison.csv``: one row per filter of either run."""
    rows = [
        row_cells(dataclasses.asdict(row), COMPARISON_COLUMNS, _SIGMA_OF) for row in comparison.rows
    ]
    return csv_text(COMPARISON_COLUMNS, rows)


def write_comparison(
    comparison: SetComparison, out: Path | str, *, overwrite: bool = False
) -> tuple[Path, ...]:
    """Write comparison.csv, comparison.html and comparison.json.

    The same care as ``write_results`` takes: each file whole or not at all, never over a file that
    starsize did not write, unless ``overwrite``.
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
