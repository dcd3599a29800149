"""Stopped half-way, a reader that leaves, a full disk: a line at most, never a traceback."""

import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from starsize import cli
from starsize.cli import offsets
from starsize.cli.workers import interrupts_held, workers

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "testdata" / "demo_night"


@pytest.fixture(autouse=True)
def _ctrl_c_is_heard():
    """What was started in the background is deaf to Ctrl-C, and so are its children."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


@pytest.mark.parametrize("jobs", ["1", "2"])
@pytest.mark.parametrize("after_s", [0.6, 2.5])
def test_ctrl_c_stops_all_processes_with_one_line_and_writes_nothing(tmp_path, jobs, after_s):
    out = tmp_path / "out"
    call = [sys.executable, "-m", "starsize", "offsets", str(DEMO), "--out", str(out)]
    with subprocess.Popen(
        [*call, "--jobs", jobs, "--quiet"],
        start_new_session=True, stderr=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        time.sleep(after_s)
        os.killpg(process.pid, signal.SIGINT)
        said = process.communicate(timeout=60)[1]
    assert said == "starsize: stopped; no results were written\n"
    # Either way a shell shows 130: Python ends by the signal where it came amid some imports.
    assert process.returncode in (130, -signal.SIGINT)
    # What was measured so far is kept for the next run.
    assert {path.name for path in out.glob("*")} <= {"measured.sqlite", "measured.sqlite-journal"}


def test_worker_processes_leave_ctrl_c_to_the_first_one():
    with workers(2) as executor:
        assert executor.submit(signal.getsignal, signal.SIGINT).result() == signal.SIG_IGN
    assert signal.getsignal(signal.SIGINT) == signal.default_int_handler


def test_ctrl_c_while_the_workers_start_is_not_lost():
    held = interrupts_held()
    held.__enter__()
    signal.raise_signal(signal.SIGINT)  # passes: a lost one would pass too
    with pytest.raises(KeyboardInterrupt):
        held.__exit__(None, None, None)
    assert signal.getsignal(signal.SIGINT) == signal.default_int_handler


@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_reader_that_leaves_is_no_error(unbuffered):
    call = [sys.executable, "-m", "starsize", "measure", str(DEMO / "evening_0001.fits.fz")]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [*call, "--jobs", "1"],
        stdout=write,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        env={**os.environ, "PYTHONUNBUFFERED": unbuffered},
    )
    os.close(write)
    assert (done.returncode, done.stderr) == (0, "")


def test_a_full_disk_is_one_line_and_status_2(monkeypatch, capsys):
    def fail(arguments):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(offsets, "run", fail)
    assert cli.main(["offsets", str(DEMO)]) == 2
    assert (
        capsys.readouterr().err == "starsize: reading or writing failed: no space left on device\n"
    )


CALLER = """
import sys
sys.path.insert(0, sys.argv[1])
import _environment
_environment.python = lambda: sys.executable
sys.exit(_environment.run(["-c", sys.argv[2]]))
"""

STOPS_SLOWLY = """
import sys, time
try:
    print("ready", flush=True)
    for _ in range(300):  # a signal just before one long sleep would wait for its end
        time.sleep(0.2)
except KeyboardInterrupt:
    time.sleep(0.6)  # longer than subprocess.run would wait before it kills
    print("stopped as it should", flush=True)
    sys.exit(130)
"""


def test_ctrl_c_lets_what_the_scripts_start_stop_by_itself():
    call = [sys.executable, "-c", CALLER, str(ROOT / "scripts"), STOPS_SLOWLY]
    with subprocess.Popen(
        call, start_new_session=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout.readline() == "ready\n"
        os.killpg(process.pid, signal.SIGINT)
        out, errors = process.communicate(timeout=30)
    assert (out, errors) == ("stopped as it should\n", "")
    assert process.returncode == 130
