"""Folders that frames are still written to, followed until somebody stops."""

import time
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from ..errors import InputError
from .header import has_frame_ending
from .walk import walk_folder

Snapshot = dict[Path, tuple[int, int]]


def follow_folders(
    folders: Sequence[Path],
    *,
    skip: Sequence[Path] = (),
    settle_s: float = 2.0,
    idle_s: float = 15.0,
) -> Iterator[float]:
    """Tell when frames have come, and how long none has.

    Yields at once; then each time that frames came (or changed, or went) and none was written to
    for ``settle_s``; and every ``idle_s`` in which nothing happened. Whoever follows lists the
    frames anew each time. Ends when the caller leaves the loop, or by Ctrl-C.

    ``folders`` may be empty still; those to ``skip`` are not entered. Yields seconds since the last
    frame was seen to change, 0 where some have changed since the last time. ``InputError`` if there
    is no folder among them, or one is missing.

    The folders are asked again and again: on network drives no system tells of changes, and the
    clocks of two machines need not agree, so files are compared with themselves only.
    """
    if not folders:
        msg = "there is no folder to watch; name the one that the frames are written to"
        raise InputError(msg)
    for folder in folders:
        if not folder.is_dir():
            msg = f"{folder}: there is no such folder to watch"
            raise InputError(msg)
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
