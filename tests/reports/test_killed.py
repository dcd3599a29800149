"""Runs killed with -9 while they write, and two at once: old files or new ones, never of both."""

import json
import os
import random
import signal
import time

import pytest

from starsize.errors import OutputError
from starsize.reports import folder as module
from starsize.reports.folder import RESULT_FILES, check_writable, write_folder

pytestmark = pytest.mark.skipif(
    not hasattr(os, "fork"), reason="needs processes that can be forked"
)
DOCUMENT = {"schema": {"name": "starsize-result", "version": 1}}


def write(out, mark, size=2000):
    texts = {name: f"{mark} {name}\n" * size for name in RESULT_FILES.names[:-1]}
    return write_folder(
        out, texts, files=RESULT_FILES, document={**DOCUMENT, "run": mark}, overwrite=False
    )


def runs_in(out):
    """Marks of the runs whose files lie in the folder, hidden ones left out."""
    found = {}
    for path in out.iterdir():
        if not path.name.startswith("."):
            text = path.read_text()
            found[path.name] = json.loads(text)["run"] if "json" in path.name else text.split()[0]
    return found


def forked(work):
    """A process of its own that works for ever."""
    child = os.fork()
    if child:
        return child
    try:
        k = 0
        while True:
            work(k)
            k += 1
    finally:
        os._exit(1)


def killed(child):
    os.kill(child, signal.SIGKILL)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


@pytest.mark.parametrize("first", ["absent", "there"])
def test_the_folder_is_absent_old_or_new_after_kills_at_a_hundred_random_moments(tmp_path, first):
    rng = random.Random(2)
    out = tmp_path / "out"
    for trial in range(100):
        if first == "absent":
            out = tmp_path / f"out{trial}"
        child = forked(lambda k, t=trial, o=out: write(o, f"{t}-{k}"))
        time.sleep(rng.uniform(0, 0.02))
        assert killed(child)
        if not out.exists():
            continue
        check_writable(out)
        seen = runs_in(out)
        assert len(set(seen.values())) <= 1
        assert set(seen) in (set(), set(RESULT_FILES.names))
        assert not list(out.glob(".*"))
    write(out, "last")
    assert set(runs_in(out).values()) == {"last"}


@pytest.mark.parametrize("moves", range(6))
def test_a_run_killed_between_two_moves_is_finished(tmp_path, monkeypatch, moves):
    out = tmp_path / "out"
    write(out, "old")
    replace, done = type(out).replace, []

    class Killed(BaseException):
        pass

    def move(self, target):
        if len(done) == moves:
            raise Killed
        done.append(target)
        return replace(self, target)

    with monkeypatch.context() as patch:
        patch.setattr(type(out), "replace", move)
        patch.setattr(type(out), "unlink", lambda *_, **__: None)
        if moves == 5:
            write(out, "new")
        else:
            with pytest.raises(Killed):
                write(out, "new")
    check_writable(out)
    assert set(runs_in(out).values()) == {"new"}
    assert len(list(out.iterdir())) == 5


def test_what_was_edited_since_the_kill_is_not_replaced(tmp_path):
    out = tmp_path / "out"
    write(out, "other")
    parts = {p.name: p.read_bytes() for p in out.iterdir()}
    for path in out.iterdir():
        path.unlink()
    write(out, "old")
    for name, data in parts.items():
        (out / f".{name}.0a1b2c3d.part").write_bytes(data)
    (out / "curves.csv").write_text("mine")
    with pytest.raises(OutputError, match=r"changed since: curves\.csv"):
        check_writable(out)
    assert (out / "curves.csv").read_text() == "mine"
    assert set(runs_in(out).values()) == {"old", "mine"}


def test_a_half_written_document_counts_for_nothing(tmp_path):
    out = tmp_path / "out"
    write(out, "old")
    for name in RESULT_FILES.names:
        (out / f".{name}.0a1b2c3d.part").write_bytes((out / name).read_bytes()[:-3])
    check_writable(out)
    assert set(runs_in(out).values()) == {"old"}
    assert len(list(out.iterdir())) == 5


def test_two_runs_into_one_folder_leave_the_files_of_one(tmp_path):
    out = tmp_path / "out"
    children = [forked(lambda k, n=name: write(out, f"{n}-{k}", 50)) for name in "ab"]
    time.sleep(1.0)
    assert all(map(killed, children))
    check_writable(out)
    assert len(set(runs_in(out).values())) == 1
    assert module.fcntl is not None
