"""A cache helps or stays out of the way: damaged, foreign, locked, full, shared, killed."""

import multiprocessing
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time

import numpy as np
import pytest

from starsize import cache as module
from starsize.cache import Cache, recalled


@pytest.fixture
def path(tmp_path):
    return tmp_path / "out" / "kept.sqlite"


def filled(path, count=40):
    with Cache(path) as kept:
        for k in range(count):
            kept.put(f"key {k}", (k, np.full(500, k)))
    assert kept.trouble is None
    return path


def test_what_is_put_is_found_by_the_next_run(path):
    filled(path, 3)
    with Cache(path) as kept:
        number, array = kept.get("key 2")
        assert (number, array.tolist()) == (2, [2] * 500)
        assert kept.get("another") is None


def test_asking_makes_no_file(path):
    with Cache(path) as kept:
        assert kept.get("key") is None
        kept.forget_unasked()
    assert not path.parent.exists()


def test_a_function_is_asked_once(path):
    asked = []

    def double(x):
        asked.append(x)
        return 2 * x

    for _ in range(2):
        with Cache(path) as kept:
            found = [recalled(kept, double, x) for x in (1, 2, 1)]
            assert found == [2, 4, 2]
    assert asked == [1, 2]
    assert recalled(None, double, 4) == 8


def test_another_version_of_the_code_finds_nothing_and_drops_what_was_there(path, monkeypatch):
    filled(path, 2)
    monkeypatch.setattr(module, "code_version", lambda: "other")
    with Cache(path) as kept:
        assert kept.get("key 1") is None
        kept.put("key 1", 5)
        assert kept.get("key 1") == 5
        kept.forget_unasked()
    monkeypatch.undo()
    with Cache(path) as kept:
        assert kept.get("key 1") is None


def test_the_version_follows_the_code_and_the_libraries(monkeypatch):
    ours = module.code_version.__wrapped__()
    assert module.code_version.__wrapped__() == ours
    monkeypatch.setattr(module, "version", lambda _: "0")
    assert module.code_version.__wrapped__() != ours


def test_what_was_compiled_is_no_other_code(tmp_path, monkeypatch):
    (tmp_path / "said.txt").write_text("{{ x }} steps")
    monkeypatch.setattr(module, "__file__", str(tmp_path / "cache.py"))
    ours = module.code_version.__wrapped__()
    kept = tmp_path / "__pycache__"
    kept.mkdir()
    (kept / "said.cache").write_bytes(b"compiled")
    assert module.code_version.__wrapped__() == ours
    (tmp_path / "said.txt").write_text("{{ x }} um")
    assert module.code_version.__wrapped__() != ours


def test_what_nobody_asks_for_any_more_is_dropped(path):
    filled(path, 5)
    with Cache(path) as kept:
        kept.get("key 1")
        kept.put("new", 1)
        kept.forget_unasked()
    with Cache(path) as kept:
        found = [kept.get(key) is not None for key in ("key 0", "key 1", "key 2", "new")]
    assert found == [False, True, False, True]


@pytest.mark.parametrize("seed", range(40))
def test_a_damaged_file_gives_what_was_put_or_nothing(path, seed):
    data = bytearray(filled(path).read_bytes())
    rng = random.Random(seed)
    if seed % 4 == 0:
        del data[rng.randrange(100, len(data)) :]
    for _ in range(rng.choice([1, 10, 1000])):
        data[rng.randrange(72, len(data))] = rng.randrange(256)
    path.write_bytes(data)
    with Cache(path) as kept:
        for k in range(40):
            found = kept.get(f"key {k}")
            assert found is None or (found[0] == k and (found[1] == k).all())
        kept.put("key 0", 7)
        assert kept.trouble is None
        assert kept.get("key 0") == 7


@pytest.mark.parametrize(
    "content", [b"mine", b"SQLite format 3\0" + bytes(500), b"x" * 10_000], ids=lambda c: str(c[:6])
)
def test_a_file_of_somebody_else_stays_as_it_is_and_is_told(path, content):
    path.parent.mkdir()
    path.write_bytes(content)
    with Cache(path) as kept:
        assert kept.get("key") is None
        kept.put("key", 1)
        assert kept.get("key") is None
    assert path.read_bytes() == content
    assert "not written by starsize" in kept.trouble


def test_a_data_base_of_another_program_stays_as_it_is(path):
    path.parent.mkdir()
    with sqlite3.connect(path) as other:
        other.execute("CREATE TABLE kept (mine TEXT)")
    other.close()
    before = path.read_bytes()
    with Cache(path) as kept:
        kept.put("key", 1)
    assert path.read_bytes() == before
    assert kept.trouble


def test_a_folder_and_a_pipe_in_its_place_are_left_alone(tmp_path):
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe")
    for name in ("folder", "pipe"):
        with Cache(tmp_path / name) as kept:
            kept.put("key", 1)
            assert kept.get("key") is None
        assert kept.trouble


def test_an_empty_file_of_a_run_that_was_ended_at_once_is_taken_up(path):
    path.parent.mkdir()
    path.touch()
    with Cache(path) as kept:
        kept.put("key", 1)
        assert kept.get("key") == 1


def test_a_file_that_another_program_holds_is_done_without(path, monkeypatch):
    monkeypatch.setattr(module, "_PATIENCE_S", 0.1)
    filled(path)
    holder = sqlite3.connect(path, isolation_level=None)
    holder.execute("BEGIN EXCLUSIVE")
    with Cache(path) as kept:
        assert kept.get("key 1") is None
        kept.put("new", 1)
    assert "locked" in kept.trouble
    holder.close()
    with Cache(path) as kept:
        assert kept.get("key 1") is not None


def test_a_full_disk_is_done_without(path, monkeypatch):
    def small(path):
        file = opened(path)
        file.execute("PRAGMA max_page_count = 30")
        return file

    opened = module._opened
    monkeypatch.setattr(module, "_opened", small)
    with Cache(path) as kept:
        for k in range(100):
            kept.put(f"key {k}", np.full(500, k))
    assert "full" in kept.trouble
    monkeypatch.undo()
    with Cache(path) as kept:
        assert (kept.get("key 1") == 1).all()


def put_many(path, own):
    with Cache(path) as kept:
        for k in range(60):
            kept.put(f"key {k}", (k, np.full(500, k)))
            kept.put(f"{own} {k}", k)
    sys.exit(kept.trouble is not None)


def test_two_runs_may_use_one_file_at_once(path):
    context = multiprocessing.get_context("spawn")
    both = [context.Process(target=put_many, args=(path, name)) for name in "ab"]
    for one in both:
        one.start()
    for one in both:
        one.join()
    assert [one.exitcode for one in both] == [0, 0]
    with Cache(path) as kept:
        assert all(kept.get(f"{own} {k}") == k for own in "ab" for k in range(60))


ENDLESS = """
import sys, numpy as np
from starsize.cache import Cache
with Cache(sys.argv[1]) as kept:
    for k in range(100_000):
        kept.put(f"key {k % 50}", (k % 50, np.full(5000, k % 50)))
        if k == 50:
            print("on", flush=True)
"""


def test_a_run_that_is_killed_leaves_a_file_that_the_next_one_reads(path):
    rng = random.Random(1)
    found = 0
    for _ in range(12):
        with subprocess.Popen(
            [sys.executable, "-c", ENDLESS, str(path)], stdout=subprocess.PIPE, text=True
        ) as run:
            run.stdout.readline()
            time.sleep(rng.uniform(0, 0.2))
            run.send_signal(signal.SIGKILL)
        with Cache(path) as kept:
            for k in range(50):
                answer = kept.get(f"key {k}")
                found += answer is not None
                assert answer is None or (answer[0] == k and (answer[1] == k).all())
        assert kept.trouble is None
    assert found > 100
