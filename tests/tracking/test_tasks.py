"""Tasks handed out: order, progress, workers that die."""

import os
import signal
import subprocess
import sys
import time
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context

import pytest

from starsize.cli.workers import workers
from starsize.tracking.tasks import spread

SUMS = [f"{k} + {k}" for k in range(12)]
DIES = "__import__('os')._exit(9)"


def test_answers_come_in_the_order_of_the_tasks_from_anywhere():
    with ThreadPoolExecutor(3) as pool:
        assert list(spread(pool, eval, SUMS, lost=len)) == list(range(0, 24, 2))


@pytest.mark.parametrize("place", [0, 6, 11])
def test_a_worker_that_dies_costs_one_answer(place):
    tasks = [*SUMS[:place], DIES, *SUMS[place + 1 :]]
    wanted = [*range(0, 2 * place, 2), "lost", *range(2 * place + 2, 24, 2)]
    with workers(2) as pool:
        assert list(spread(pool, eval, tasks, lost=lambda _: "lost")) == wanted


def test_a_foreign_pool_that_breaks_costs_one_answer_too():
    tasks = [*SUMS[:2], DIES, *SUMS[3:5]]
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        answers = list(spread(pool, eval, tasks, lost=lambda _: "lost"))
    assert answers == [0, 2, "lost", 6, 8]


def test_what_goes_wrong_in_a_task_is_heard():
    with workers(2) as pool, pytest.raises(ZeroDivisionError):
        list(spread(pool, eval, ["1", "1 / 0"], lost=len))


PARENT = """
import os, time
from starsize.cli.workers import workers
if __name__ == "__main__":
    with workers(2) as pool:
        print(*{pool.submit(eval, "(__import__('time').sleep(0.3), __import__('os').getpid())[1]")
                .result() for _ in range(2)}, flush=True)
        pool.submit(time.sleep, 60)
        time.sleep(60)
"""


def alive(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    with open(f"/proc/{pid}/stat") as file:  # noqa: PTH123
        return file.read().rsplit(")", 1)[1].split()[0] != "Z"


@pytest.mark.skipif(not os.path.isdir("/proc"), reason="asks the system for its processes")  # noqa: PTH112
@pytest.mark.parametrize("signal_number", [signal.SIGKILL, signal.SIGTERM])
def test_workers_end_when_their_parent_is_gone(tmp_path, signal_number):
    script = tmp_path / "parent.py"
    script.write_text(PARENT, "utf-8")
    with subprocess.Popen(
        [sys.executable, str(script)], stdout=subprocess.PIPE, text=True
    ) as parent:
        pids = [int(word) for word in parent.stdout.readline().split()]
        assert pids
        assert all(map(alive, pids))
        parent.send_signal(signal_number)
    deadline = time.monotonic() + 10
    while any(map(alive, pids)) and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not any(map(alive, pids))
