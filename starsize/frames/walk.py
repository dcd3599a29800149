"""The files that the person's paths mean, in natural order, doubles found; folders followed."""

import re
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from difflib import get_close_matches
from os import walk
from os.path import realpath
from pathlib import Path
from typing import NamedTuple

from ..errors import InputError, SetupError
from .header import has_frame_ending

Snapshot = dict[Path, tuple[int, int]]


class FoundFile(NamedTuple):
    """One file, whether the person named it itself, and the same file seen before, if any."""

    path: Path
    named: bool
    first_seen: Path | None = None


def natural_key(path: Path) -> list[tuple[tuple[str | int, ...], str]]:
    """Sort key by which ``L_2.fits`` stands before ``L_10.fits``, folder by folder."""
    # Text and numbers alternate, so that like is compared with like.
    pieces = ((part, enumerate(re.split(r"(\d+)", part.casefold()))) for part in path.parts)
    return [(tuple(int(p) if i % 2 else p for i, p in split), part) for part, split in pieces]


def find_files(paths: Sequence[Path], skip: Iterable[Path] = ()) -> tuple[FoundFile, ...]:
    """The files that ``paths`` (files and folders) mean, but for hidden ones and ``skip``.

    ``InputError`` if a path is missing, cannot be entered, or is a folder without any FITS file.
    """
    skip = tuple(skip)
    seen: dict[Path, Path] = {}
    found = []
    for path in paths:
        for file, named in _files_of(path, skip):
            real = Path(realpath(file))
            found.append(FoundFile(file, named, seen.get(real)))
            seen.setdefault(real, file)
    return tuple(found)


def _files_of(path: Path, skip: Sequence[Path]) -> Iterator[tuple[Path, bool]]:
    if path.is_file():
        yield path, True
    elif path.is_dir():
        files = sorted(walk_folder(path, skip), key=natural_key)
        if not files:
            raise InputError(f"{path}: this folder holds no files")
        if not any(has_frame_ending(file) for file in files):
            raise InputError(
                f"{path}: no FITS or camera raw file in this folder, only {len(files)} other (such "
                f"as {files[0].name}); give the folder with the frames as the camera wrote them"
            )
        yield from ((file, False) for file in files)
    elif path.exists():
        raise InputError(f"{path}: neither a file nor a folder")
    else:
        raise InputError(f"{path}: there is no such file or folder")


def walk_folder(top: Path, skip: Sequence[Path] = ()) -> Iterator[Path]:
    """Walk a folder, links included, none twice; hidden entries and ``skip`` are left out."""
    skipped = {Path(realpath(path)) for path in skip}
    names_skipped = {path.name for path in skip}  # spares most files the search for links
    entered: set[Path] = set()
    for folder, inside, names in walk(top, followlinks=True, onerror=_refuse):
        here = Path(folder)
        entered.add(Path(realpath(here)))
        left_out = entered | skipped
        seen = [name for name in sorted(inside) if not name.startswith(".")]
        inside[:] = [name for name in seen if Path(realpath(here / name)) not in left_out]
        for name in names:
            path = here / name
            is_skipped = name in names_skipped and Path(realpath(path)) in skipped
            if not (name.startswith(".") or is_skipped):
                yield path


def _refuse(error: OSError) -> None:
    raise InputError(f"{error.filename}: this folder cannot be read") from error


def text_of(path: Path, what: str) -> str:
    """The text of a file that a person wrote; ``SetupError`` if it cannot be read."""
    try:
        if path.exists() and not path.is_file():
            raise OSError(None, "not an ordinary file")
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise SetupError(f"{path}: {what} is not UTF-8 text; save it anew in UTF-8") from error
    except OSError as error:
        why = (error.strerror or "no such file").lower()
        raise SetupError(f"{path}: {what} cannot be read ({why})") from error


def nearest(name: str, known: Sequence[str]) -> str:
    """What an unknown name in such a file may mean."""
    lower = {one.lower(): one for one in known}
    near = get_close_matches(name[:60].lower(), lower, n=1, cutoff=0.6)
    return f"did you mean {lower[near[0]]}?" if near else f"known are {', '.join(known)}"


def follow_folders(
    folders: Sequence[Path],
    *,
    skip: Sequence[Path] = (),
    settle_s: float = 2.0,
    idle_s: float = 15.0,
) -> Iterator[float]:
    """Tell when frames have come, and how long none has; ``InputError`` without a folder.

    Yields at once; then 0 each time that frames came (or changed, or went) and none was written to
    for ``settle_s``; and every ``idle_s`` in which nothing happened the seconds since the last
    change. Folders are asked again and again, and compared with themselves: network drives tell of
    no changes, and clocks differ.
    """
    if not folders:
        raise InputError("there is no folder to watch; name the one that the frames are written to")
    for folder in folders:
        if not folder.is_dir():
            raise InputError(f"{folder}: there is no such folder to watch")
    told = seen = _snapshot(folders, skip)
    moved = asked = time.monotonic()
    yield 0.0
    while True:
        time.sleep(settle_s / 2)
        now = time.monotonic()
        before, seen = seen, _snapshot(folders, skip)
        if seen != before:
            moved = now
        elif seen != told and now - moved >= settle_s:
            told, asked = seen, now
            yield 0.0
        elif seen == told and now - asked >= idle_s:
            asked = now
            yield now - moved


def frame_files(folders: Sequence[Path], skip: Sequence[Path] = ()) -> Iterator[Path]:
    """Every file in the folders that a frame may be in, by its name."""
    for folder in folders:
        yield from filter(has_frame_ending, walk_folder(folder, skip))


def _snapshot(folders: Sequence[Path], skip: Sequence[Path]) -> Snapshot:
    """Size and time of change of every frame; a file that has just gone is not there."""
    found: Snapshot = {}
    for path in frame_files(folders, skip):
        with suppress(OSError):
            state = path.stat()
            found[path] = (state.st_size, state.st_mtime_ns)
    return found
