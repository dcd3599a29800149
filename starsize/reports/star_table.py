"""Star tables as ECSV, whole or not at all."""

import io
from pathlib import Path

from astropy.table import QTable

from .folder import write_whole


def write_star_table(path: Path | str, table: QTable, *, overwrite: bool = False) -> Path:
    """Write a star table as ECSV (units and flags kept), whole or not at all.

    ``OutputError`` if the file is already there (without ``overwrite``), is a folder, or cannot be
    written.

    Read it again with ``astropy.table.QTable.read(path, format="ascii.ecsv")``.
    """
    text = io.StringIO(newline="")
    table.write(text, format="ascii.ecsv", delimiter=",")
    return write_whole(Path(path), text.getvalue().replace("\r\n", "\n"), overwrite=overwrite)
