"""What shows only when all files are seen together: placeholders for "not known", and copies."""

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from ..errors import printable
from .facts import ambient_temperature, keywords_of_lengths, plain_keyword
from .facts_csv import TABLE
from .frame import FrameFacts, InputFile
from .header import ImageHeader, has_frame_ending
from .pixels import content_digest

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
    files = [file for file, _ in read]
    headers = [header for _, header in read]
    lengths = {k for one in headers if one is not None for k in keywords_of_lengths(one)}
    lengths.discard(plain_keyword(position_keyword) if position_keyword else "")
    files = _without_positions(files, lambda facts: facts.position_from in lengths, _FRACTIONS)
    far = _far_positions(files)
    files = _without_positions(
        files,
        lambda f: f.position_from != TABLE and f.position_steps in far[f.filter] | far["*"],
        _STRAY,
    )
    known = [file.facts for file in files if file.facts]
    if {"u", "i", "z"} & {facts.filter_written for facts in known}:
        files = [
            _corrected(f, filter=f.facts.filter_written)
            if f.facts and (f.facts.filter_written, f.facts.filter) in (("g", "G"), ("r", "R"))
            else f
            for f in files
        ]
    at_focuser = [f for f in known if f.temperature_of == "focuser"]
    if len(at_focuser) >= _SOME and all(f.temperature_degC == 0 for f in at_focuser):
        pairs = zip(files, headers, strict=True)
        files = [_with_air(file, header) for file, header in pairs]
    return _without_copies(files)


def _without_positions(
    files: Sequence[InputFile], unknown: Callable[[FrameFacts], bool], why: str
) -> list[InputFile]:
    """The files, the positions of some taken for not known."""
    return [
        replace(
            _corrected(file, position_steps=None, position_from=None),
            reason=file.reason or why.format(file.facts),
        )
        if file.facts and unknown(file.facts)
        else file
        for file in files
    ]


def _corrected(file: InputFile, **facts: Any) -> InputFile:
    return replace(file, facts=file.facts and replace(file.facts, **facts))


def _with_air(file: InputFile, header: ImageHeader | None) -> InputFile:
    """The temperature of the air in place of that of a probe that is not there."""
    if header is None or not file.facts or file.facts.temperature_of != "focuser":
        return file
    air = ambient_temperature(header)
    of = None if air is None else "ambient"
    return _corrected(file, temperature_degC=air, temperature_of=of)


def _far_positions(files: Sequence[InputFile]) -> Mapping[str | None, set[float]]:
    """Positions far from all others, of each filter by itself and, under ``*``, of all."""
    places: dict[str | None, set[float]] = defaultdict(set)
    for file in files:
        if file.usable and file.facts and file.facts.position_steps is not None:
            for group in (file.facts.filter, "*"):
                places[group].add(file.facts.position_steps)
    return defaultdict(set, {group: _strays(found) for group, found in places.items()})


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
        if nameless is None or count[nameless] == 1:
            result.append(file)
            continue
        # Bytes are compared only where all facts are equal.
        content = content_digest(file.path) or str(file.path)
        keys: list[Any] = [(nameless, content), (nameless, *_stem(file))]
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
