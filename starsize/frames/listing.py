"""What the files given hold: one row for each, with its facts or the reason why it is not used."""

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, replace
from os import PathLike
from pathlib import Path
from typing import Any, Final, Literal, NamedTuple

from ..errors import FrameReadError, SetupError, printable
from ..estimate import Finding, Notice, notice
from ..filters import filter_order
from ..setup import Setup, given_setup
from .facts import (
    ambient_temperature,
    facts_from_header,
    keywords_of_lengths,
    plain_keyword,
    why_no_position,
)
from .frame import COPY, SINGLE, FrameFacts, InputFile
from .header import FITS_BEGINS, has_frame_ending, read_image_header
from .pixels import content_digest
from .tables import TABLE, FactsRow, apply_row, match_rows, read_facts_csv
from .walk import FoundFile, find_files

_KIND_NAMES: Final = {"dark": "a dark frame", "bias": "a bias frame", "flat": "a flat field"}
#: So many reasons are told one by one.
_MOST: Final = 4
#: So many positions make a sweep, that many frames a habit.
_SOME: Final = 3
#: Farther off than this many lengths of all the rest: no sweep is spaced like that.
_FAR: Final = 3
_FRACTIONS: Final = (
    "no focuser position in steps: {0.position_from} holds fractions in some frames, which looks "
    "like a length; if these are steps, name the keyword in the setup ([headers] position)"
)
_STRAY: Final = (
    "focuser position {0.position_steps:.10g} stands far from all others: most likely the position "
    "was not known; if it is right, state it in a facts table"
)
_NO_FILTER: Final = (
    "no filter name in the header; name the keyword in the setup ([headers] filter) "
    "or give a facts table"
)


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
    Some things show only when all files are seen together:

    - A position such as 0, -1 or 99999 is a position like any other (some focusers count from the
      middle), unless it lies three times as far from all others as these span.
    - A lower-case g or r beside u, i or z is a band of the sky surveys, not green or red.
    - A keyword such as TELFOCUS that holds a fraction in one file is a length in all, unless the
      person named it.
    - A focuser temperature of exactly 0 in every file is a probe that is not there; the temperature
      of the air is taken instead, if the headers have it.
    - Two files with equal facts are one exposure if their bytes are equal, or if their names differ
      only in the ending (a frame and its compressed copy).

    Examples
    --------
    >>> files = list_frames(["my-night"])  # doctest: +SKIP
    >>> [file.reason for file in files if not file.usable]  # doctest: +SKIP
    ['a dark frame, not an exposure of the sky']
    """
    setup = given_setup(setup)
    # A single path is a likely slip of the hand, and would be walked letter by letter.
    every = [paths] if isinstance(paths, str | PathLike) else paths
    found = find_files([Path(p) for p in every], [Path(p) for p in skip])
    rows: Mapping[Path, FactsRow] = {}
    if facts_csv is not None:
        path, once = Path(facts_csv), [file.path for file in found if file.first_seen is None]
        rows = match_rows(path, read_facts_csv(path), once)
    read = [_read(file, setup, rows.get(file.path)) for file in found]
    files, told = [file for file, _ in read], [one for _, one in read]
    known = [one for one in told if one is not None]
    for item, keyword in asdict(setup.headers).items():
        # A keyword that the person named and no file has is a slip of the pen.
        if keyword and known and not any(item in one.named for one in known):
            raise SetupError(f"setup, [headers] {item}: no frame has the keyword {keyword}")
    lengths = {word for one in known for word in one.lengths}
    lengths.discard(plain_keyword(setup.headers.position or ""))
    return _without_copies(_seen_together(files, told, lengths))


class _Told(NamedTuple):
    """What of a header counts when all files are seen together: headers would fill the memory.

    Which of the keywords that the person ``named`` it has, its ``keywords_of_lengths``, and the
    temperature of the air.
    """

    named: frozenset[str]
    lengths: frozenset[str]
    air_degC: float | None


def _read(file: FoundFile, setup: Setup, row: FactsRow | None) -> tuple[InputFile, _Told | None]:
    """A file by itself, and what its header tells of all if it could be read."""
    if file.first_seen is not None:
        reason = printable(f"the same file as {file.first_seen}, {COPY}")
        return InputFile(file.path, reason=reason), None
    if not (file.named or has_frame_ending(file.path)):
        return InputFile(file.path, reason=_other_file(file.path)), None
    try:
        header = read_image_header(file.path)
    except FrameReadError as error:
        reason = str(error).removeprefix(printable(f"{file.path}: "))
        return InputFile(file.path, reason=reason), None
    facts = facts_from_header(file.path, header, setup)
    if row is not None:
        facts = apply_row(facts, row, setup.aliases)
    why = None
    if facts.kind != "light":
        why = f"{_KIND_NAMES[facts.kind]}, not an exposure of the sky"
    elif facts.position_steps is None:
        why = why_no_position(header, setup)
    elif facts.filter is None and facts.bayer is None:
        why = _NO_FILTER
    own = ((item, plain_keyword(word)) for item, word in asdict(setup.headers).items() if word)
    told = _Told(
        frozenset(item for item, word in own if word in header.cards),
        frozenset(keywords_of_lengths(header)),
        ambient_temperature(header),
    )
    return InputFile(file.path, facts, why), told


def _other_file(path: Path) -> str:
    """Say why a file in a folder is passed over; FITS under another name is worth a hint."""
    if not path.is_file():
        return "not an ordinary file"
    with suppress(OSError), path.open("rb") as file:
        if file.read(len(FITS_BEGINS)) == FITS_BEGINS:
            return (
                "not used because of its name; it is a FITS file inside: rename it to end in .fits"
            )
    return "not a FITS file (by its name)"


def _seen_together(
    files: Sequence[InputFile], told: Sequence[_Told | None], lengths: set[str]
) -> list[InputFile]:
    """The files, facts put right that show to be wrong when all are seen together."""
    nowhere = {"position_steps": None, "position_from": None}
    files = _corrected(files, lambda f: f.position_from in lengths, _FRACTIONS, **nowhere)
    # Of each filter by itself, and of all.
    places: dict[str | None, set[Any]] = defaultdict(set)
    for facts in (file.facts for file in files if file.usable and file.facts):
        places[facts.filter].add(facts.position_steps)
        places["*"].add(facts.position_steps)
    far = defaultdict(set, {group: _strays(found) for group, found in places.items()})

    def is_far(facts: FrameFacts) -> bool:
        told = facts.position_steps in far[facts.filter] | far["*"]
        return told and facts.position_from != TABLE

    files = _corrected(files, is_far, _STRAY, **nowhere)
    known = [file.facts for file in files if file.facts]
    if {"u", "i", "z"} & {facts.filter_written for facts in known}:
        files = _corrected(files, lambda f: (f.filter_written, f.filter) == ("g", "G"), filter="g")
        files = _corrected(files, lambda f: (f.filter_written, f.filter) == ("r", "R"), filter="r")
    at_focuser = [f for f in known if f.temperature_of == "focuser"]
    if len(at_focuser) >= _SOME and not any(f.temperature_degC for f in at_focuser):
        return [_with_air(file, one) for file, one in zip(files, told, strict=True)]
    return files


def _with_air(file: InputFile, told: _Told | None) -> InputFile:
    """The temperature of the air in place of that of a probe that is not there."""
    if told is None or not file.facts or file.facts.temperature_of != "focuser":
        return file
    air = told.air_degC
    of: Literal["ambient"] | None = None if air is None else "ambient"
    return replace(file, facts=replace(file.facts, temperature_degC=air, temperature_of=of))


def _corrected(
    files: Iterable[InputFile], wrong: Callable[[FrameFacts], bool], why: str = "", **right: Any
) -> list[InputFile]:
    """The files, facts of the wrong ones replaced; ``why`` is said where these are lost by that."""
    return [
        InputFile(f.path, replace(f.facts, **right), f.reason or why.format(f.facts) or None)
        if f.facts and wrong(f.facts)
        else f
        for f in files
    ]


def _strays(places: set[float]) -> set[float]:
    """One or two at the ends, far from the rest: three may be the sweep of another filter."""
    rest, inner = sorted(places), [sorted(places)]
    while inner:
        rest = inner[0]
        parts = (rest[1:], rest[:-1], rest[1:-1], rest[2:], rest[:-2])
        inner = [part for part in parts if _stands_off(rest, part)]
    return places - set(rest)


def _stands_off(places: Sequence[float], inner: Sequence[float]) -> bool:
    """Tell whether the positions that ``inner`` lacks lie far off for its length."""
    if len(inner) < _SOME or len(inner) == len(places):
        return False
    low, high = inner[0], inner[-1]
    return min(max(low - p, p - high) for p in places if not low <= p <= high) > _FAR * (high - low)


def _without_copies(files: Sequence[InputFile]) -> tuple[InputFile, ...]:
    # Facts that do not depend on where and how a frame is stored.
    facts = [replace(f.facts, path=Path(), hdu=0) if f.usable and f.facts else None for f in files]
    count = Counter(facts)
    original: dict[tuple[object, ...], Path] = {}
    result = []
    for file, nameless in zip(files, facts, strict=True):
        if nameless is not None and count[nameless] > 1:
            # Bytes are compared only where all facts are equal.
            content = content_digest(file.path) or str(file.path)
            keys: list[Any] = [(nameless, content), (nameless, *_stem(file))]
            first = next((original[key] for key in keys if key in original), None)
            for key in keys:
                original.setdefault(key, file.path)
            if first is not None:
                reason = printable(f"the same exposure as {first}, {COPY}")
                file = replace(file, reason=reason)
        result.append(file)
    return tuple(result)


def _stem(file: InputFile) -> tuple[str, object]:
    """Name without endings, of a frame and its packed copy; without time the folder counts."""
    name = file.path
    while has_frame_ending(name):
        name = name.with_suffix("")
    timed = file.facts is not None and file.facts.mid_time_mjd is not None
    return name.name, None if timed else name.parent


def lost_filters(files: Iterable[InputFile]) -> Mapping[str, str]:
    """Filters of which no frame can be used, in the usual order, and why in one sentence."""
    files = tuple(files)
    used = {file.facts.filter for file in files if file.usable and file.facts}
    lost: dict[str, list[str]] = defaultdict(list)
    for file in filter(_is_lost_frame, files):
        name = file.facts.filter if file.facts else None
        if name and name not in used and file.reason != SINGLE:
            lost[name].append(file.reason or "")
    told = {}
    for name in sorted(lost, key=filter_order):
        reasons = lost[name]
        which = f"none of the {len(reasons)} frames can" if reasons[1:] else "the only frame cannot"
        told[name] = f"{which} be used: {max(sorted(set(reasons)), key=reasons.count)}"
    return told


def unused_notices(files: Iterable[InputFile]) -> tuple[Notice, ...]:
    """Tell of frames that were meant to be measured and cannot be, but for lost filters."""
    files = tuple(files)
    told = lost_filters(files)
    groups: dict[str, list[InputFile]] = defaultdict(list)
    for file in filter(_is_lost_frame, files):
        if not (file.facts and file.facts.filter in told):
            # Numbers (of bytes, say) differ from file to file where the reason is the same.
            groups[re.sub(r"\d+", "#", file.reason or "")].append(file)
    largest = sorted(groups.values(), key=len, reverse=True)
    notices = [
        notice("frames_not_used", count=len(group), name=group[0].path.name, why=group[0].reason)
        for group in largest[:_MOST]
    ]
    if rest := sum(map(len, largest[_MOST:])):
        notices.append(Notice("frames_not_used", Finding("more_not_used", count=rest)))
    return tuple(notices)


def _is_lost_frame(file: InputFile) -> bool:
    if file.facts is None:
        return has_frame_ending(file.path) and not file.is_copy
    return file.reason is not None and file.is_exposure
