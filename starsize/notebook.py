"""Small HTML tables by which a notebook shows what the steps hand out."""

import math
from collections.abc import Iterable, Sequence
from html import escape


def html_table(caption: str, head: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """A table whose cells are escaped; first column to the left, the others to the right."""
    top = "".join(f"<th>{escape(title)}</th>" for title in head)
    body = "".join(f"<tr>{_cells(row)}</tr>" for row in rows)
    return (
        f"<table><caption>{escape(caption)}</caption><thead><tr>{top}</tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def plus_minus(value: float | None, sigma: float | None = None) -> str:
    """A number with its standard uncertainty, both to where the uncertainty begins."""
    if value is None or math.isnan(value):
        return ""
    if sigma is None or not 0 < sigma < float("inf"):
        return f"{value:.6g}"
    digits = max(0, 1 - int(f"{sigma:e}".partition("e")[2]))
    return f"{value:.{digits}f} ± {sigma:.{digits}f}"


def _cells(row: Sequence[object]) -> str:
    first, *others = (escape(str(cell)) for cell in row)
    return f"<td>{first}</td>" + "".join(f'<td align="right">{cell}</td>' for cell in others)
