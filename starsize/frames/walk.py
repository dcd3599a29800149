"""The files that the person's paths mean, in natural order, doubles found; folders followed."""

import re
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from os import walk
from os.path import realpath
from pathlib import Path
from typing import NamedTuple

from ..errors import InputError
from .header import has_frame_ending


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
    """The files that ``paths`` (files and folders) mean; hidden ones and folders to skip left out.

    ``InputError`` if a path is missing, cannot be entered, or is a folder without any FITS file.
    """
    skip = tuple(skip)
    seen: dict[str, Path] = {}
    found = []
    for path in paths:
        named = path.is_file()
        for file in [path] if named else _files_in(path, skip):
            real = realpath(file)
            found.append(FoundFile(file, named, seen.get(real)))
            seen.setdefault(real, file)
    return tuple(found)


def _files_in(path: Path, skip: Sequence[Path]) -> list[Path]:
    if not path.is_dir():
        what = "neither a file nor a folder" if path.exists() else "there is no such file or folder"
        raise InputError(f"{path}: {what}")
    files = sorted(walk_folder(path, skip), key=natural_key)
    if not files:
        raise InputError(f"{path}: this folder holds no files")
    if not any(map(has_frame_ending, files)):
        raise InputError(
            f"{path}: no FITS or camera raw file in this folder, only {len(files)} other (such "
            f"as {files[0].name}); give the folder with the frames as the camera wrote them"
        )
    return files


def walk_folder(top: Path, skip: Sequence[Path] = ()) -> Iterator[Path]:
    """Walk a folder, links included, none twice; hidden entries and ``skip`` are left out."""
    left_out = {realpath(path) for path in skip}
    for folder, inside, names in walk(top, followlinks=True, onerror=_refuse):
        left_out.add(realpath(folder))
        inside[:] = [
            name
            for name in sorted(inside)
            if not name.startswith(".") and realpath(Path(folder, name)) not in left_out
        ]
        yield from (Path(folder, name) for name in names if not name.startswith("."))


def _refuse(error: OSError) -> None:
    raise InputError(f"{error.filename}: this folder cannot be read") from error


def frame_files(folders: Sequence[Path], skip: Sequence[Path] = ()) -> Iterator[Path]:
    """Every file in the folders that a frame may be in, by its name."""
    for folder in folders:
        yield from filter(has_frame_ending, walk_folder(folder, skip))


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


def _snapshot(folders: Sequence[Path], skip: Sequence[Path]) -> dict[Path, tuple[int, int]]:
    """Size and time of change of every frame; a file that has just gone is not there."""
    found = {}
    for path in frame_files(folders, skip):
        with suppress(OSError):
            state = path.stat()
            found[path] = (state.st_size, state.st_mtime_ns)
    return found
