"""What shows only when all files are seen together: placeholders for "not known", and copies."""

import hashlib
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from ..errors import printable
from .facts import ambient_temperature, keywords_of_lengths, plain_keyword
from .facts_csv import TABLE
from .frame import InputFile
from .header import ImageHeader, has_frame_ending

#: So many positions make a sweep, that many frames a habit.
_SOME: Final = 3
#: Farther off than this many lengths of all the rest: no sweep is spaced like that.
_FAR: Final = 3
_SAMPLE_BYTES: Final = 1 << 16

Read = tuple[InputFile, ImageHeader | None]


def second_look(
    read: Sequence[Read], *, position_keyword: str | None = None
) -> tuple[InputFile, ...]:
    """Judge the facts of each file, given with its header where that could be read, by all.

    - A position such as 0, -1 or 99999 is a position like any other (some focusers count from the
      middle), unless it lies three times as far from all others as these span.
    - A lower-case g or r beside u, i or z is a band of the sky surveys, not green or red.
    - A keyword such as TELFOCUS that holds a fraction in one file is a length in all, unless the
      person named it.
    - A focuser temperature of exactly 0 in every file is a probe that is not there; the
      temperature of the air is taken instead, if the headers have it.
    - Two files with equal facts are one exposure if their bytes are equal, or if their names
      differ only in the ending (a frame and its compressed copy).
    """
    files = _without_lengths(read, position_keyword)
    files = _with_survey_bands(_without_strays(files))
    files = _without_dead_probe(files, [header for _, header in read])
    return _without_copies(files)


def _without_lengths(read: Sequence[Read], named: str | None) -> list[InputFile]:
    lengths = {k for _, header in read if header is not None for k in keywords_of_lengths(header)}
    lengths.discard(plain_keyword(named) if named else "")
    why = (
        "no focuser position in steps: {0.position_from} holds fractions in some frames, which "
        "looks like a length; if these are steps, name the keyword in the setup ([headers] "
        "position)"
    )
    found = {file.path for file, _ in read if file.facts and file.facts.position_from in lengths}
    return _without_positions([file for file, _ in read], found, why)


def _without_strays(files: Sequence[InputFile]) -> list[InputFile]:
    """Leave out what lies far from all other positions, of its own filter and of all."""
    places: dict[str | None, set[float]] = {}
    for file in files:
        if file.usable and file.facts and file.facts.position_steps is not None:
            for group in {file.facts.filter, "*"}:
                places.setdefault(group, set()).add(file.facts.position_steps)
    strays = {group: _strays(found) for group, found in places.items()}
    anywhere: set[float] = strays.get("*", set())
    far = {
        file.path
        for file in files
        if file.facts
        and file.facts.position_from != TABLE
        and file.facts.position_steps in strays.get(file.facts.filter, set()) | anywhere
    }
    why = (
        "focuser position {0.position_steps:.10g} stands far from all others: most likely the "
        "position was not known; if it is right, state it in a facts table"
    )
    return _without_positions(files, far, why)


def _strays(places: set[float]) -> set[float]:
    """One or two at the ends, far from the rest: three may be the sweep of another filter."""
    rest = sorted(places)
    inner: list[float] | None = rest
    while inner is not None:
        rest = inner
        parts = (rest[1:], rest[:-1], rest[1:-1], rest[2:], rest[:-2])
        inner = next((part for part in parts if _stands_off(rest, part)), None)
    return places - set(rest)


def _stands_off(places: Sequence[float], inner: Sequence[float]) -> bool:
    """Tell whether the positions that ``inner`` lacks lie far off for its length."""
    if len(inner) < _SOME or len(inner) == len(places):
        return False
    low, high = inner[0], inner[-1]
    return min(max(low - p, p - high) for p in places if not low <= p <= high) > _FAR * (high - low)


def _with_survey_bands(files: Sequence[InputFile]) -> list[InputFile]:
    written = {f.facts.filter_written for f in files if f.facts}
    if not written & {"u", "i", "z"}:
        return list(files)
    return [
        _corrected(f, filter=f.facts.filter_written)
        if f.facts and (f.facts.filter_written, f.facts.filter) in (("g", "G"), ("r", "R"))
        else f
        for f in files
    ]


def _corrected(file: InputFile, **facts: Any) -> InputFile:
    return replace(file, facts=file.facts and replace(file.facts, **facts))


def _without_dead_probe(
    files: Sequence[InputFile], headers: Sequence[ImageHeader | None]
) -> list[InputFile]:
    at_focuser = [f.facts for f in files if f.facts and f.facts.temperature_of == "focuser"]
    if len(at_focuser) < _SOME or any(f.temperature_degC != 0 for f in at_focuser):
        return list(files)
    found = []
    for file, header in zip(files, headers, strict=True):
        if file.facts and file.facts.temperature_of == "focuser" and header is not None:
            air = ambient_temperature(header)
            of = None if air is None else "ambient"
            file = _corrected(file, temperature_degC=air, temperature_of=of)
        found.append(file)
    return found


def _without_copies(files: Sequence[InputFile]) -> tuple[InputFile, ...]:
    # Facts that do not depend on where and how a frame is stored.
    facts = [replace(f.facts, path=Path(), hdu=0) if f.usable and f.facts else None for f in files]
    count = Counter(facts)
    original: dict[tuple[object, ...], Path] = {}
    result = []
    for file, nameless in zip(files, facts, strict=True):
        if nameless is None or count[nameless] == 1:
            result.append(file)
            continue
        # Bytes are compared only where all facts are equal.
        keys = [(nameless, _digest(file.path)), (nameless, *_stem(file))]
        first = next((original[key] for key in keys if key in original), None)
        for key in keys:
            original.setdefault(key, file.path)
        reason = printable(f"the same exposure as {first}, counted once")
        result.append(file if first is None else replace(file, reason=reason))
    return tuple(result)


def _stem(file: InputFile) -> tuple[str, object]:
    """Name without endings, so that a frame and its compressed copy are found to be one.

    Without a time, the first frames of two nights can be equal: then the folder counts too.
    """
    name = file.path
    while has_frame_ending(name):
        name = name.with_suffix("")
    timed = file.facts is not None and file.facts.mid_time_mjd is not None
    return name.name, None if timed else name.parent


def _digest(path: Path) -> bytes:
    """Digest of both ends of a file: no two exposures have the same noise even there."""
    try:
        with path.open("rb") as file:
            digest = hashlib.sha256(file.read(_SAMPLE_BYTES))
            file.seek(max(0, path.stat().st_size - _SAMPLE_BYTES))
            digest.update(file.read(_SAMPLE_BYTES))
    except OSError:  # gone since its header was read: told when its pixels are wanted
        return str(path).encode("utf-8", "surrogateescape")
    return digest.digest()


def _without_positions(
    files: Sequence[InputFile], which: Collection[Path], why: str
) -> list[InputFile]:
    """The files, the positions of some taken for not known."""
    found = []
    for file in files:
        if file.facts and file.path in which:
            file = replace(file, reason=file.reason or why.format(file.facts))
            file = _corrected(file, position_steps=None, position_from=None)
        found.append(file)
    return found
