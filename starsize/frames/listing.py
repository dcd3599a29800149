"""What the files given hold: one row for each, with its facts or the reason why it is not used."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import Final

from ..errors import FrameReadError, SetupError
from ..setup import Setup
from .facts import entries, facts_from_header, why_no_position
from .facts_csv import FactsRow, apply_row, match_rows, read_facts_csv
from .frame import FrameFacts, InputFile
from .header import ImageHeader, has_fits_ending, read_image_header
from .walk import FoundFile, find_files

_KIND_NAMES: Final = {"dark": "a dark frame", "bias": "a bias frame", "flat": "a flat field"}
_COUNT_FROM: Final = (0.0, -1.0)


def list_frames(
    paths: Iterable[str | PathLike[str]],
    *,
    setup: Setup | None = None,
    facts_csv: str | PathLike[str] | None = None,
    skip: Iterable[str | PathLike[str]] = (),
) -> tuple[InputFile, ...]:
    """Read the facts of every file given, without touching the pixels.

    Parameters
    ----------
    paths : iterable of paths
        Folders (walked to the bottom, hidden entries left out) and files.
    setup : Setup, optional
        Keywords, filter spellings and colour pattern that the person stated.
    facts_csv : path, optional
        Table that overrides or supplies what headers lack; see ``read_facts_csv``.
    skip : iterable of paths
        Folders that are not entered, such as the one with our own results.

    Returns
    -------
    tuple of InputFile
        One for each file, none left out; ``reason`` says in a sentence why one is not used.

    Raises
    ------
    InputError
        A path is missing or a folder holds no FITS file (one clear line).
    SetupError
        The facts table is wrong, or a keyword named in the setup is in none of the files.

    Notes
    -----
    A single focuser position of 0 or -1 that lies farther from the others than these span is what
    some programs write for "not known" (common practice) and is not used as a position.
    """
    setup = setup or Setup()
    found = find_files([Path(p) for p in _as_paths(paths)], [Path(p) for p in skip])
    rows = _facts_rows(facts_csv, found)
    files, headers = [], []
    for file in found:
        row, header = _read(file, setup, rows.get(file.path))
        files.append(row)
        headers.extend([header] if header else [])
    _check_named_keywords(setup, headers)
    return _without_stray_zeros(files)


def _as_paths(paths: Iterable[str | PathLike[str]]) -> Sequence[str | PathLike[str]]:
    # A single path is a likely slip of the hand, and would be walked letter by letter.
    return [paths] if isinstance(paths, str | PathLike) else list(paths)


def _facts_rows(
    facts_csv: str | PathLike[str] | None, found: Sequence[FoundFile]
) -> dict[Path, FactsRow]:
    if facts_csv is None:
        return {}
    path = Path(facts_csv)
    once = [file.path for file in found if file.first_seen is None]
    return dict(match_rows(path, read_facts_csv(path), once))


def _read(
    file: FoundFile, setup: Setup, row: FactsRow | None
) -> tuple[InputFile, ImageHeader | None]:
    if file.first_seen is not None:
        reason = f"the same file as {file.first_seen}, counted once"
        return InputFile(file.path, reason=reason), None
    if not file.named and not has_fits_ending(file.path):
        return InputFile(file.path, reason="not a FITS file (by its ending)"), None
    try:
        header = read_image_header(file.path)
    except FrameReadError as error:
        return InputFile(file.path, reason=str(error).removeprefix(f"{file.path}: ")), None
    facts = facts_from_header(file.path, header, setup)
    if row is not None:
        facts = apply_row(facts, row, setup.aliases)
    return InputFile(file.path, facts, _why_not(facts, header, setup)), header


def _why_not(facts: FrameFacts, header: ImageHeader, setup: Setup) -> str | None:
    if facts.kind != "light":
        return f"{_KIND_NAMES[facts.kind]}, not an exposure of the sky"
    if facts.position_steps is None:
        return why_no_position(header, setup)
    if facts.filter is None and facts.bayer is None:
        return (
            "no filter name in the header; name the keyword in the setup ([headers] filter) "
            "or give a facts table"
        )
    return None


def _check_named_keywords(setup: Setup, headers: Sequence[ImageHeader]) -> None:
    """A keyword that the person named and no file has is a slip of the pen."""
    for item in ("position", "temperature", "filter", "exposure", "time"):
        keyword = getattr(setup.headers, item)
        if keyword and headers and not any(entries(header, keyword) for header in headers):
            msg = f"setup, [headers] {item}: no frame has the keyword {keyword}"
            raise SetupError(msg)


def _without_stray_zeros(files: Sequence[InputFile]) -> tuple[InputFile, ...]:
    positions = {
        file.facts.position_steps
        for file in files
        if file.usable and file.facts and file.facts.position_steps is not None
    }
    return tuple(_unless_stray(file, positions) for file in files)


def _unless_stray(file: InputFile, positions: set[float]) -> InputFile:
    if not file.usable or file.facts is None or file.facts.position_steps not in _COUNT_FROM:
        return file
    others = positions - set(_COUNT_FROM)
    if len(others) < 3:
        return file
    here = file.facts.position_steps
    if min(abs(p - here) for p in others) <= max(others) - min(others):
        return file
    reason = (
        f"focuser position {here:.0f} stands far from all others: "
        "it most likely means that the position was not known"
    )
    return InputFile(file.path, replace(file.facts, position_steps=None), reason)
