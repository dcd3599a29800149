"""What shows only when all files are seen together: placeholders for "not known", and copies."""

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from .facts import ambient_temperature, keywords_of_lengths, plain_keyword
from .facts_csv import TABLE
from .frame import FrameFacts, InputFile
from .header import ImageHeader, has_frame_ending

#: Positions that some programs write where they know none (common practice).
_PLACEHOLDERS: Final = (0.0, -1.0)
_SOME: Final = 3
_SAMPLE_BYTES: Final = 1 << 16

Read = tuple[InputFile, ImageHeader | None]


def second_look(
    read: Sequence[Read], *, position_keyword: str | None = None
) -> tuple[InputFile, ...]:
    """Judge the facts of each file in the light of all.

    - A position of 0 or -1 is a position like any other (some focusers count from the middle),
      unless it lies farther from all others than these span.
    - A keyword such as TELFOCUS that holds a fraction in one file is a length in all.
    - A focuser temperature of exactly 0 in every file is a probe that is not there; the
      temperature of the air is taken instead, if the headers have it.
    - Two files with equal facts are one exposure if their bytes are equal, or if their names
      differ only in the ending (a frame and its compressed copy).

    Parameters
    ----------
    read : sequence of (InputFile, ImageHeader or None)
        All files with their headers, where these could be read.
    position_keyword : str, optional
        The keyword that the person named: what it holds is in steps, fractions or not.

    Returns
    -------
    tuple of InputFile
        In the same order.
    """
    files = _without_lengths(read, position_keyword)
    files = _without_placeholders(files)
    files = _without_dead_probe(files, [header for _, header in read])
    return _without_copies(files)


def _without_lengths(read: Sequence[Read], named: str | None) -> list[InputFile]:
    lengths = {k for _, header in read if header is not None for k in keywords_of_lengths(header)}
    lengths.discard(plain_keyword(named) if named else "")
    return [
        _unknown_position(
            file,
            f"no focuser position in steps: {file.facts.position_from} holds fractions in some "
            "frames, which looks like a length; if these are steps, name the keyword in the setup "
            "([headers] position)",
        )
        if file.facts and file.facts.position_from in lengths
        else file
        for file, _ in read
    ]


def _without_placeholders(files: Sequence[InputFile]) -> list[InputFile]:
    known = {p for file in files if file.usable and (p := _position(file)) is not None}
    others = known - set(_PLACEHOLDERS)
    if len(others) < _SOME:
        return list(files)
    span = max(others) - min(others)

    def is_stray(file: InputFile) -> bool:
        here = _position(file)
        return (
            here in _PLACEHOLDERS
            and file.facts is not None
            and file.facts.position_from != TABLE
            and min(abs(p - here) for p in others) > span
        )

    return [
        _unknown_position(
            file,
            f"focuser position {_position(file):.0f} stands far from all others: most likely the "
            "position was not known; if it is right, state it in a facts table",
        )
        if is_stray(file)
        else file
        for file in files
    ]


def _without_dead_probe(
    files: Sequence[InputFile], headers: Sequence[ImageHeader | None]
) -> list[InputFile]:
    at_focuser = [f.facts for f in files if f.facts and f.facts.temperature_of == "focuser"]
    if len(at_focuser) < _SOME or any(f.temperature_degC != 0 for f in at_focuser):
        return list(files)
    return [
        replace(file, facts=_with_ambient(file.facts, header))
        if file.facts and file.facts.temperature_of == "focuser" and header is not None
        else file
        for file, header in zip(files, headers, strict=True)
    ]


def _with_ambient(facts: FrameFacts, header: ImageHeader) -> FrameFacts:
    ambient = ambient_temperature(header)
    return replace(
        facts,
        temperature_degC=ambient,
        temperature_of=None if ambient is None else "ambient",
    )


def _without_copies(files: Sequence[InputFile]) -> tuple[InputFile, ...]:
    facts = [_nameless(file) for file in files]
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
        reason = f"the same exposure as {first}, counted once"
        result.append(file if first is None else replace(file, reason=reason))
    return tuple(result)


def _nameless(file: InputFile) -> FrameFacts | None:
    """Facts that do not depend on where and how a frame is stored."""
    return replace(file.facts, path=Path(), hdu=0) if file.usable and file.facts else None


def _stem(file: InputFile) -> tuple[str, object]:
    """Name without endings, so that a frame and its compressed copy are found to be one.

    Names count across folders only for frames with a time: without one, the first frames of two
    nights can have equal names and equal facts.
    """
    name = file.path
    while has_frame_ending(name):
        name = name.with_suffix("")
    timed = file.facts is not None and file.facts.mid_time_mjd is not None
    return name.name, None if timed else name.parent


def _digest(path: Path) -> bytes:
    """Digest of both ends of a file: no two exposures have the same noise even there."""
    with path.open("rb") as file:
        digest = hashlib.sha256(file.read(_SAMPLE_BYTES))
        file.seek(max(0, path.stat().st_size - _SAMPLE_BYTES))
        digest.update(file.read(_SAMPLE_BYTES))
    return digest.digest()


def _position(file: InputFile) -> float | None:
    return file.facts.position_steps if file.facts else None


def _unknown_position(file: InputFile, reason: str) -> InputFile:
    if file.facts is None:
        return file
    facts = replace(file.facts, position_steps=None, position_from=None)
    return replace(file, facts=facts, reason=file.reason or reason)
