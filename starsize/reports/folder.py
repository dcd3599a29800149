"""Writing result files: each whole or not at all, never over what we did not write.

Which files are ours is told by the ``files`` entry of the JSON document's ``schema``: the SHA-256
of every other file written with it. A file that was edited since is no longer ours.

New files are written under passing names, the document last, then moved to their places, the
document last. A run that is killed before its document is there leaves the old files; one that is
killed between two moves is finished by whoever next looks at the folder.
"""

import contextlib
import hashlib
import json
import os
import secrets
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Final, NamedTuple

from ..errors import OutputError
from ..frames import InputFile, list_frames
from ..frames.header import has_frame_ending
from ..frames.tables import PLAN_DOCUMENT

try:
    import fcntl
except ImportError:  # Windows, where a folder cannot be locked
    fcntl = None  # type: ignore[assignment]

_ELSEWHERE: Final = "; give another folder for the results"


class FileSet(NamedTuple):
    """The files that are written together, the JSON document that lists the others last."""

    names: tuple[str, ...]

    @property
    def document(self) -> str:
        """Name of the document."""
        return self.names[-1]

    @property
    def schema(self) -> dict[str, Any]:
        """What the document says of itself first."""
        return {"name": f"starsize-{self.document.removesuffix('.json')}", "version": 1}


RESULT_FILES: Final = FileSet(
    ("offsets.csv", "curves.csv", "frames.csv", "report.html", "result.json")
)
COMPARISON_FILES: Final = FileSet(("comparison.csv", "comparison.html", "comparison.json"))
PLAN_FILES: Final = FileSet(("plan.csv", PLAN_DOCUMENT))
NIGHT_FILES: Final = FileSet(("night.csv", "night.html", "night.json"))


def check_writable(
    out: Path | str,
    *,
    overwrite: bool = False,
    files: FileSet = RESULT_FILES,
    frames: Iterable[Path] = (),
) -> None:
    """``OutputError`` if results cannot be written to a folder, which need not be there yet.

    Nor may it hold some of the ``frames`` (files and folders), or files of these names that are not
    ours (unless ``overwrite``). Only what a killed run left half-done is changed there.
    """
    folder = Path(out)
    _keep_apart(folder, (p if p.is_dir() else p.parent for p in frames if p.exists()))
    with _alone_in(folder):
        _looked_at(folder, files, overwrite=overwrite)


def _keep_apart(out: Path, folders: Iterable[Path]) -> None:
    """Refuse to write beside the frames: into their folders, or one below that holds some."""
    here, homes = out.resolve(), {folder.resolve() for folder in folders}
    if here in homes or (_frames_in(out) and homes.intersection(here.parents)):
        raise OutputError(f"{out} is the folder of the frames{_ELSEWHERE}")


def keep_apart(out: Path, files: Sequence[InputFile]) -> None:
    """Refuse to write beside the frames of a run, also where it knows them by other paths."""
    _keep_apart(out, {file.path.parent for file in files})
    known = {sign for file in files for sign in _signs(file)}
    if any(known & _signs(file) for file in list_frames(_frames_in(out))):
        raise OutputError(f"{out} holds frames of these results{_ELSEWHERE}")


def _frames_in(out: Path) -> list[Path]:
    inside = out.iterdir() if out.is_dir() else ()
    return [path for path in inside if has_frame_ending(path) and path.is_file()]


def _signs(file: InputFile) -> set[object]:
    """What tells an exposure wherever it lies: its name; its size and time, which copies keep."""
    facts = file.facts
    if facts is None or facts.mid_time_mjd is None:
        return {file.path.name}
    return {file.path.name, (facts.shape, round(facts.mid_time_mjd, 5))}


def write_folder(
    out: Path,
    texts: Mapping[str, str],
    files: FileSet,
    document: Mapping[str, Any],
    *,
    overwrite: bool,
) -> tuple[Path, ...]:
    """Write several files and the JSON document that lists them; see ``write_results``."""
    contents = {name: _utf8(text) for name, text in texts.items()}
    schema = {**document["schema"], "files": {name: _mark(d) for name, d in contents.items()}}
    contents[files.document] = _utf8(json_text({**document, "schema": schema}))
    made = not out.is_dir()
    try:
        if made:  # what is there already is looked at when no other run is at it
            _looked_at(out, files, overwrite=overwrite)
            out.mkdir(parents=True, exist_ok=True)
        with _alone_in(out):
            _replace_all(out, contents, _looked_at(out, files, overwrite=overwrite))
    except OutputError:
        if made:
            with contextlib.suppress(OSError):
                out.rmdir()
        raise
    except OSError as error:
        raise OutputError(f"cannot make the folder {out}: {_why(error)}{_ELSEWHERE}") from error
    return tuple(out / name for name in contents)


def write_whole(path: Path, text: str, *, overwrite: bool = False) -> Path:
    """Write one file, whole or not at all; ``OutputError`` as ``check_file_writable``."""
    before = check_file_writable(path, overwrite=overwrite)
    _replace_all(path.parent, {path.name: _utf8(text)}, {path.name: before})
    return path


def check_file_writable(path: Path, *, overwrite: bool = False) -> bytes | None:
    """What a file holds now, None without one; ``OutputError`` if it must not be replaced."""
    before = _read(path)
    if before is not None and not overwrite:
        raise OutputError(f"{path} is already there; give another name, or add --overwrite")
    if not path.parent.is_dir():
        raise OutputError(f"cannot write {path}: there is no folder {path.parent}")
    return before


def json_text(document: Mapping[str, Any]) -> str:
    """JSON for people and programs: indented, UTF-8, and never NaN or Infinity."""
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _utf8(text: str) -> bytes:
    """UTF-8 whatever the names of files are: bytes that are not text become a question mark."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "replace").encode()


def _looked_at(out: Path, files: FileSet, *, overwrite: bool) -> dict[str, bytes | None]:
    """Finish a killed run; what the files hold then, an error if they must not be replaced."""
    there = next((folder for folder in (out, *out.absolute().parents) if folder.exists()), out)
    if not there.is_dir():
        raise OutputError(f"{there} is a file, not a folder{_ELSEWHERE}")
    if not os.access(there, os.W_OK | os.X_OK):
        raise OutputError(f"cannot write into {there}: no permission{_ELSEWHERE}")
    with contextlib.suppress(OSError):
        _finish(out, files)
    before = {name: _read(out / name) for name in files.names}
    own = _marks(before[files.document], files)
    foreign = [n for n, d in before.items() if d is not None and own.get(n) != _mark(d)]
    if foreign and not overwrite:
        raise OutputError(
            f"{out} holds files that were not written by starsize, or were changed since: "
            f"{', '.join(foreign)}; give another folder with --out, or add --overwrite"
        )
    return before


def _read(path: Path) -> bytes | None:
    """What a file holds now, None if there is none; fails early if it could not be replaced."""
    if path.is_dir():
        msg = f"{path} is a folder where a file must go; move it away or choose another place"
        raise OutputError(msg)
    if not path.exists():
        return None
    try:
        with path.open("r+b") as file:
            return file.read()
    except OSError as error:
        msg = f"cannot replace {path}: {_why(error)}; close it elsewhere or choose another place"
        raise OutputError(msg) from error


def _mark(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def _marks(data: bytes | None, files: FileSet) -> dict[str, str]:
    """The marks of all files, its own too, that a document of ours lists; none of any other."""
    try:
        schema = json.loads(data or b"")["schema"]
        if data and schema["name"] == files.schema["name"]:
            return {**schema["files"], files.document: _mark(data)}
    except (ValueError, KeyError, TypeError, RecursionError):
        pass
    return {}


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Wait until no other run writes there; the lock goes with the process that holds it."""
    with contextlib.ExitStack() as stack:
        if fcntl is not None and folder.is_dir():
            with contextlib.suppress(OSError):  # some network disks know no locks
                held = os.open(folder, os.O_RDONLY)
                stack.callback(os.close, held)
                fcntl.flock(held, fcntl.LOCK_EX)
        yield


def _finish(folder: Path, files: FileSet) -> None:
    """Move what a killed run had wholly written to its place; drop what it had not."""
    there = {name: path.read_bytes() for name in files.names if (path := folder / name).is_file()}
    old = _marks(there.get(files.document), files)
    for part in folder.glob(f".{files.document}.*.part"):
        new = _marks(part.read_bytes(), files)
        # Each file there must be of the killed run or of the one before, as they wrote it.
        if new and all(_mark(data) in (old.get(k), new.get(k)) for k, data in there.items()):
            for name in files.names:
                other = part.with_name(part.name.replace(files.document, name, 1))
                if other.exists():
                    other.replace(folder / name)
    for name in files.names:
        for part in folder.glob(f".{name}.*.part"):
            part.unlink()


def _replace_all(
    folder: Path, contents: Mapping[str, bytes], before: Mapping[str, bytes | None]
) -> None:
    """Put all files in place, each by one move, or leave the folder as it was."""
    token = secrets.token_hex(4)
    parts = {name: folder / f".{name}.{token}.part" for name in contents}
    placed: list[str] = []
    try:
        for name, part in parts.items():
            with part.open("xb") as file:
                file.write(contents[name])
        for name, part in parts.items():
            part.replace(folder / name)
            placed.append(name)
    except OSError as error:
        for name in placed:
            with contextlib.suppress(OSError, OutputError):
                old = before[name]
                if old is None:
                    (folder / name).unlink(missing_ok=True)
                else:
                    _replace_all(folder, {name: old}, before)
        msg = f"cannot write into {folder}: {_why(error)}; nothing was changed there"
        raise OutputError(msg) from error
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)


def _why(error: OSError) -> str:
    return (error.strerror or str(error)).lower()
