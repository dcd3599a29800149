"""The result folder: three tables, the machine-readable document and the page."""

from functools import partial
from pathlib import Path

from ..cache import Cache, recalled
from .document import result_document
from .folder import RESULT_FILES, keep_apart, write_folder
from .page import report_html
from .result import RunResult
from .tables import curves_csv, frames_csv, offsets_csv


def write_results(
    result: RunResult, out: Path | str, *, overwrite: bool = False, cache: Cache | None = None
) -> tuple[Path, ...]:
    """Write offsets.csv, curves.csv, frames.csv, report.html and result.json.

    Each file is written whole or not at all; if writing fails half-way, the files that were there
    before are put back. Files of an earlier run are replaced; a file that was not written by
    starsize, or was changed since, is never touched.

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
    texts = recalled(cache, partial(result_texts, result), "texts", result)
    return write_folder(
        folder,
        texts,
        files=RESULT_FILES,
        document=result_document(result),
        overwrite=overwrite,
    )


def result_texts(result: RunResult) -> dict[str, str]:
    """The tables and the page, by the name of their file."""
    return {
        "offsets.csv": offsets_csv(result),
        "curves.csv": curves_csv(result),
        "frames.csv": frames_csv(result),
        "report.html": report_html(result),
    }
