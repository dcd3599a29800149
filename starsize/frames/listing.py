"""What the files given hold: one row for each, with its facts or the reason why it is not used."""

import re
from collections.abc import Iterable, Mapping
from contextlib import suppress
from functools import lru_cache
from os import PathLike
from pathlib import Path
from typing import Final

from ..errors import FrameReadError, SetupError, printable
from ..estimate import Finding, Notice, notice
from ..filters import filter_order
from ..setup import Setup
from .facts import entries, facts_from_header, why_no_position
from .facts_csv import FactsRow, apply_row, match_rows, read_facts_csv
from .frame import SINGLE, FrameFacts, InputFile
from .header import ImageHeader, has_frame_ending, read_image_header
from .second_look import second_look
from .walk import FoundFile, find_files

_KIND_NAMES: Final = {"dark": "a dark frame", "bias": "a bias frame", "flat": "a flat field"}

#: So many reasons are told one by one.
_MOST: Final = 4


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
    Three things show only when all files are seen together, see ``second_look``: positions and
    temperatures that stand for "not known", and copies of one file.

    Examples
    --------
    >>> files = list_frames(["my-night"])  # doctest: +SKIP
    >>> [file.reason for file in files if not file.usable]  # doctest: +SKIP
    ['a dark frame, not an exposure of the sky']
    """
    setup = setup or Setup()
    # A single path is a likely slip of the hand, and would be walked letter by letter.
    every = [paths] if isinstance(paths, str | PathLike) else paths
    found = find_files([Path(p) for p in every], [Path(p) for p in skip])
    rows: Mapping[Path, FactsRow] = {}
    if facts_csv is not None:
        path, once = Path(facts_csv), [file.path for file in found if file.first_seen is None]
        rows = match_rows(path, read_facts_csv(path), once)
    read = [_read(file, setup, rows.get(file.path)) for file in found]
    headers = [header for _, header in read if header is not None]
    for item in ("position", "temperature", "filter", "exposure", "time"):
        keyword = getattr(setup.headers, item)
        # A keyword that the person named and no file has is a slip of the pen.
        if keyword and headers and not any(entries(header, keyword) for header in headers):
            raise SetupError(f"setup, [headers] {item}: no frame has the keyword {keyword}")
    return second_look(read, position_keyword=setup.headers.position)


def _read(
    file: FoundFile, setup: Setup, row: FactsRow | None
) -> tuple[InputFile, ImageHeader | None]:
    if file.first_seen is not None:
        reason = printable(f"the same file as {file.first_seen}, counted once")
        return InputFile(file.path, reason=reason), None
    if not file.named and not has_frame_ending(file.path):
        return InputFile(file.path, reason=_other_file(file.path)), None
    try:
        header = _header(file.path)
    except FrameReadError as error:
        reason = str(error).removeprefix(printable(f"{file.path}: "))
        return InputFile(file.path, reason=reason), None
    facts = facts_from_header(file.path, header, setup)
    if row is not None:
        facts = apply_row(facts, row, setup.aliases)
    return InputFile(file.path, facts, _why_not(facts, header, setup)), header


def _header(path: Path) -> ImageHeader:
    try:
        state = path.stat()
    except OSError:
        return read_image_header(path)  # which says why not
    return _header_in_state(path, state.st_size, state.st_mtime_ns)


@lru_cache(maxsize=2048)
def _header_in_state(path: Path, _size: int, _changed_ns: int) -> ImageHeader:
    """Headers are read once: a folder that is followed is listed with every frame that comes."""
    return read_image_header(path)


def _other_file(path: Path) -> str:
    """Say why a file in a folder is passed over; FITS under another name is worth a hint."""
    if not path.is_file():
        return "not an ordinary file"
    with suppress(OSError), path.open("rb") as file:
        if file.read(9) == b"SIMPLE  =":
            return (
                "not used because of its name; it is a FITS file inside: rename it to end in .fits"
            )
    return "not a FITS file (by its name)"


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


def lost_filters(files: Iterable[InputFile]) -> Mapping[str, str]:
    """Filters of which no frame can be used, in the usual order, and why in one sentence."""
    files = tuple(files)
    used = {file.facts.filter for file in files if file.usable and file.facts}
    lost: dict[str, list[str]] = {}
    for file in files:
        name = file.facts.filter if file.facts else None
        if name and name not in used and file.reason != SINGLE and _is_lost_frame(file):
            lost.setdefault(name, []).append(file.reason or "")
    told = {}
    for name in sorted(lost, key=filter_order):
        reasons = lost[name]
        which = f"none of the {len(reasons)} frames can" if reasons[1:] else "the only frame cannot"
        told[name] = f"{which} be used: {max(sorted(set(reasons)), key=reasons.count)}"
    return told


def unused_notices(files: Iterable[InputFile]) -> tuple[Notice, ...]:
    """Tell of frames that cannot be used, beside those of a filter that is lost as a whole.

    Calibration frames, copies and files of other kinds were not meant to be measured: no notice.
    """
    files = tuple(files)
    told = lost_filters(files)
    groups: dict[str, list[InputFile]] = {}
    for file in files:
        if _is_lost_frame(file) and not (file.facts and file.facts.filter in told):
            # Numbers (of bytes, say) differ from file to file where the reason is the same.
            groups.setdefault(re.sub(r"\d+", "#", file.reason or ""), []).append(file)
    largest = sorted(groups.values(), key=len, reverse=True)
    notices = [
        notice("frames_not_used", count=len(group), name=group[0].path.name, why=group[0].reason)
        for group in largest[:_MOST]
    ]
    if rest := sum(len(group) for group in largest[_MOST:]):
        notices.append(Notice("frames_not_used", Finding("more_not_used", count=rest)))
    return tuple(notices)


def _is_lost_frame(file: InputFile) -> bool:
    if file.reason is None or file.reason.endswith("counted once"):
        return False
    if file.facts is None:
        return has_frame_ending(file.path)
    return file.facts.kind == "light"
