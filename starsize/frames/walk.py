"""The files that the person's paths mean: folders walked, doubles found, in natural order."""

import re
from collections.abc import Iterable, Iterator, Sequence
from os import walk
from os.path import realpath
from pathlib import Path
from typing import NamedTuple

from ..errors import InputError
from .header import has_frame_ending

NaturalPart = tuple[tuple[str | int, ...], str]


class FoundFile(NamedTuple):
    """One file, whether the person named it itself, and the same file seen before, if any."""

    path: Path
    named: bool
    first_seen: Path | None = None


def natural_key(path: Path) -> list[NaturalPart]:
    """Sort key by which ``L_2.fits`` stands before ``L_10.fits``, folder by folder.

    Examples
    --------
    >>> [str(p) for p in sorted(map(Path, ["b_10", "b_9", "B_1", "a"]), key=natural_key)]
    ['a', 'B_1', 'b_9', 'b_10']
    """
    return [_part_key(part) for part in path.parts]


def find_files(paths: Sequence[Path], skip: Iterable[Path] = ()) -> tuple[FoundFile, ...]:
    """List the files that ``paths`` (files and folders) mean.

    Folders are walked to the bottom, those to ``skip`` and hidden ones left out. ``InputError`` if
    a path is missing, cannot be entered, is neither file nor folder, or is a folder without any
    FITS file.
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
            msg = f"{path}: this folder holds no files"
            raise InputError(msg)
        if not any(has_frame_ending(file) for file in files):
            msg = (
                f"{path}: no FITS or camera raw file in this folder, only {len(files)} other (such "
                f"as {files[0].name}); give the folder with the frames as the camera wrote them"
            )
            raise InputError(msg)
        yield from ((file, False) for file in files)
    elif path.exists():
        msg = f"{path}: neither a file nor a folder"
        raise InputError(msg)
    else:
        msg = f"{path}: there is no such file or folder"
        raise InputError(msg)


def walk_folder(top: Path, skip: Sequence[Path] = ()) -> Iterator[Path]:
    """Walk a folder, links included; a folder that was entered before is not entered again.

    Hidden files and folders, and the folders and files to ``skip``, are left out.
    """
    skipped = {Path(realpath(path)) for path in skip}
    skipped_names = {path.name for path in skip}  # spares most files the search for links

    def is_skipped(path: Path) -> bool:
        return Path(realpath(path)) in skipped

    entered: set[Path] = set()
    for folder, inside, names in walk(top, followlinks=True, onerror=_refuse):
        here = Path(folder)
        entered.add(Path(realpath(here)))
        inside[:] = [
            name
            for name in sorted(inside)
            if not name.startswith(".")
            and (real := Path(realpath(here / name))) not in entered
            and real not in skipped
        ]
        for name in names:
            path = here / name
            if not name.startswith(".") and (name not in skipped_names or not is_skipped(path)):
                yield path


def _refuse(error: OSError) -> None:
    msg = f"{error.filename}: this folder cannot be read"
    raise InputError(msg) from error


def _part_key(part: str) -> NaturalPart:
    # Text and numbers alternate, so that like is compared with like.
    pieces = re.split(r"(\d+)", part.casefold())
    return tuple(int(p) if i % 2 else p for i, p in enumerate(pieces)), part
