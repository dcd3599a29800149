"""What was worked out before, kept in one file under keys that say from what.

A cache is a help and never a need. Whatever is wrong with its file (another program wrote it, it is
damaged, another run holds it, the disk is full), the work is done without it and ``trouble`` says
why. Entries carry a digest of the code that wrote them: another version, or other versions of the
numerical libraries, find nothing.
"""

import hashlib
import sqlite3
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import cache as once
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final, Self, TypeVar

from .plain import digest, from_bytes, to_bytes

Answer = TypeVar("Answer")
#: Marks the file as ours ("application id" at byte 68, https://www.sqlite.org/fileformat.html).
_OURS: Final = int.from_bytes(b"StSz", "big")
_MAGIC: Final = b"SQLite format 3\0"
_PATIENCE_S: Final = 10.0
#: Locked, no permission, no room and the like: nothing that beginning anew would mend.
_HINDERED: Final = (
    sqlite3.SQLITE_PERM, sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED, sqlite3.SQLITE_READONLY,
    sqlite3.SQLITE_IOERR, sqlite3.SQLITE_FULL, sqlite3.SQLITE_CANTOPEN,
)  # fmt: skip
_LIBRARIES: Final = ("numpy", "scipy", "astropy", "sep", "rawpy", "matplotlib", "jinja2")


@once
def code_version() -> str:
    """Digest of all that answers depend on beside their input: our files and the libraries."""
    found = hashlib.sha256(sys.version.encode())
    for name in _LIBRARIES:
        found.update(name.encode())
        with suppress(PackageNotFoundError):  # an extra that is not installed
            found.update(f" {version(name)}".encode())
    here = Path(__file__).parent
    # What is compiled is kept beside it, and grows from run to run.
    ours = (p for p in here.rglob("*") if p.is_file() and "__pycache__" not in p.parts)
    for path in sorted(ours):
        found.update(path.relative_to(here).as_posix().encode() + path.read_bytes())
    return found.hexdigest()


class Cache:
    """Answers kept in one SQLite file, which is made when the first one is put there.

    Several runs may use one file at once. It may be deleted at any time. ``trouble`` says in one
    line why nothing is kept; None while all is well.

    Parameters
    ----------
    path : str or Path
        The file; its folder is made if there is none.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, Cache(Path(folder, "kept.sqlite")) as kept:
    ...     kept.put("key", (1, 2.5))
    ...     kept.get("key")
    (1, 2.5)
    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self.trouble: str | None = None
        self._file: sqlite3.Connection | None = None
        self._asked: set[str] = set()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def get(self, key: str) -> Any:
        """What was put under a key by this version of the code; None if there is nothing."""
        self._asked.add(key)
        if self._file is None and not self.path.exists():
            return None
        for mark, value in self._done(
            "SELECT mark, value FROM kept WHERE key = :key AND code = :code", key=key
        ):
            if mark == hashlib.sha256(value).digest():  # SQLite does not notice every flipped bit
                return from_bytes(value)
        return None

    def put(self, key: str, answer: Any) -> None:
        """Keep an answer, which must be plain data (see ``plain``) and not None."""
        self._asked.add(key)
        value = to_bytes(answer)
        self._done(
            "REPLACE INTO kept (key, code, mark, value) VALUES (:key, :code, :mark, :value)",
            key=key, mark=hashlib.sha256(value).digest(), value=value,
        )  # fmt: skip

    def forget_unasked(self) -> None:
        """Drop what nobody asked for since this cache was opened, and what other code wrote."""
        if self._file is None:
            return
        self._done("DELETE FROM kept WHERE code != :code")
        for (key,) in self._done("SELECT key FROM kept"):
            if key not in self._asked:
                self._done("DELETE FROM kept WHERE key = :key", key=key)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()
            self._file = None

    def _done(self, statement: str, **values: Any) -> list[tuple[Any, ...]]:
        """The rows of a statement; none once there is trouble. A damaged file is begun anew."""
        for again in (True, False):
            if self.trouble is not None:
                break
            try:
                self._file = self._file or _opened(self.path)
                return self._file.execute(statement, {"code": code_version(), **values}).fetchall()
            except (sqlite3.Error, UnicodeError, OSError) as error:  # names of tables spoiled
                self.close()
                code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT) & 0xFF
                damaged = not isinstance(error, OSError) and code not in _HINDERED
                if not (again and damaged and _discarded(self.path)):
                    self.trouble = f"nothing is kept in {self.path}: {error}"
        return []


def recalled(
    cache: Cache | None, work: Callable[..., Answer], *made_from: Any, **more: Any
) -> Answer:
    """The answer of ``work``, from the cache if it was asked the same (plain data) before."""
    if cache is None:
        return work(*made_from, **more)
    key = digest(work.__qualname__, made_from, more)
    known: Answer | None = cache.get(key)
    if known is None:
        known = work(*made_from, **more)
        cache.put(key, known)
    return known


def _opened(path: Path) -> sqlite3.Connection:
    """Open the file, or make it; never one of another program."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.exists() and not _is_ours(path):
        raise OSError("the file was not written by starsize; move it away")
    file = sqlite3.connect(path, timeout=_PATIENCE_S, isolation_level=None)
    try:
        # What a power cut spoils is begun anew: no need to wait for the disk at each entry.
        file.execute("PRAGMA synchronous = OFF")
        file.execute("BEGIN IMMEDIATE")
        file.execute(f"PRAGMA application_id = {_OURS}")
        file.execute(
            "CREATE TABLE IF NOT EXISTS kept"
            " (key TEXT, code TEXT, mark BLOB, value BLOB, PRIMARY KEY (key, code))"
        )
        file.execute("COMMIT")
    except BaseException:
        file.close()
        raise
    return file


def _is_ours(path: Path) -> bool:
    """Whether a file bears our mark, or is empty: just made by a run that was ended at once."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        start = file.read(72)
    return not start or (start[:16] == _MAGIC and start[68:] == _OURS.to_bytes(4, "big"))


def _discarded(path: Path) -> bool:
    """Delete a file of ours; False if that cannot be done."""
    try:
        if not _is_ours(path):
            return False
        path.unlink()
        path.with_name(f"{path.name}-journal").unlink(missing_ok=True)
    except OSError:
        return False
    return True
