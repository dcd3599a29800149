"""Whole runs killed with -9 at random moments: the folder is absent, old-whole or new-whole.

Two small sweeps are measured with two worker processes, again and again; each run is killed at a
random moment of its life, from its start to a little beyond its usual end. In every other trial a
whole result of another run lies in the folder already. Afterwards the next run must find the files
of one run or none, and no process of the killed one may live on.

Run: ``python scripts/kill_runs.py [--kills 100] [--seed 1] [--keep]``; exit status 1 on a failure.
With ``--keep`` the section in ``scripts/results/spoiled.md`` is renewed.
"""

import argparse
import hashlib
import json
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
from _results import RESULTS, write_section
from spoiled_folders import good_night

from starsize.reports import RESULT_FILES, check_writable

#: A worker may need so long to see that its parent is gone.
PATIENCE_S = 10.0


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--keep", action="store_true")
    asked = parser.parse_args()
    rng = np.random.default_rng(asked.seed)
    ends: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        good_night(home / "night", home)
        whole, old = home / "whole", home / "old"
        start = time.monotonic()
        started(home / "night", whole).wait()
        usual = time.monotonic() - start
        started(home / "night", old, "--reference", "R").wait()
        (old / "measured.sqlite").unlink()
        known = {(old / "offsets.csv").read_bytes(): "old"}
        known[(whole / "offsets.csv").read_bytes()] = "new"
        for trial in range(asked.kills):
            out = home / f"out{trial}"
            if trial % 2:
                shutil.copytree(old, out)
            run = started(home / "night", out)
            time.sleep(rng.uniform(0, 1.1 * usual))
            run.kill()
            run.wait()
            ends[found(out, known)] += 1
            ends["with processes left"] += lives(run.pid)
            shutil.rmtree(out, ignore_errors=True)
    bad = ends["torn"] + ends["with processes left"]
    said = f"{asked.kills} runs killed (seed {asked.seed}): " + ", ".join(
        f"{count} {end}" for end, count in ends.most_common()
    )
    print(said)
    if asked.keep:
        write_section("Killed runs", said + ".", script="kill_runs.py", file=RESULTS / "spoiled.md")
    return 1 if bad else 0


def started(night: Path, out: Path, *more: str) -> subprocess.Popen[bytes]:
    """A run with two workers in a group of its own."""
    call = [sys.executable, "-m", "starsize", "offsets", str(night), "--out", str(out), "--quiet"]
    return subprocess.Popen([*call, "--jobs", "2", *more], start_new_session=True)


def found(out: Path, known: dict[bytes, str]) -> str:
    """Whose files the next run finds: none, those of one run, or torn ones."""
    check_writable(out)
    there = {
        name: (out / name).read_bytes() for name in RESULT_FILES.names if (out / name).exists()
    }
    if not there:
        return "absent"
    if len(there) < len(RESULT_FILES.names):
        return "torn"
    marks = json.loads(there["result.json"])["schema"]["files"]
    whole = all(hashlib.sha256(there[name]).hexdigest() == mark for name, mark in marks.items())
    return known.get(there["offsets.csv"], "torn") if whole else "torn"


def lives(group: int) -> bool:
    """Whether a process of the group outlives its first one by more than the patience."""
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return False
        time.sleep(0.1)
    os.killpg(group, signal.SIGKILL)
    return True


if __name__ == "__main__":
    sys.exit(main())
