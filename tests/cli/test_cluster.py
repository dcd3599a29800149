"""A cluster of dask.distributed, two processes and one: the same files, byte by byte."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from starsize.cli import main
from starsize.simulate import write_frame

pytest.importorskip("distributed")
ROOT = Path(__file__).parents[2]

#: A scheduler and two workers until standard input ends; a module that workers load may be named.
CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    with LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=None, preload=sys.argv[1:],
        silence_logs=50,
    ) as cluster:
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
"""

SURROUNDINGS = {
    "PYTHONPATH": str(ROOT),
    # Tasks of a worker that died are given up at once: trying four workers takes a minute.
    "DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES": "0",
}


@pytest.fixture
def cluster(tmp_path):
    """Start clusters; hand back their address."""
    script = tmp_path / "cluster.py"
    script.write_text(CLUSTER)
    running = []

    def start(*preload):
        running.append(
            subprocess.Popen(
                [sys.executable, str(script), *preload],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                text=True, cwd=tmp_path, env={**os.environ, **SURROUNDINGS},
            )
        )  # fmt: skip
        return running[-1].stdout.readline().strip()

    yield start
    for one in running:
        one.communicate(timeout=60)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """Two small sweeps of Gaussian stars, drawn here, and a file that cannot be read."""
    folder = tmp_path_factory.mktemp("night")
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:120, :160]
    places = np.stack(np.meshgrid(np.arange(20, 150, 30), np.arange(20, 110, 27)), -1).reshape(
        -1, 2
    )
    for band, best in (("L", 1000), ("R", 1010)):
        for position in range(900, 1101, 25):
            sigma = np.hypot(1.3, 0.025 * (position - best))
            light = sum(np.exp(-((x - a) ** 2 + (y - b) ** 2) / (2 * sigma**2)) for a, b in places)
            image = rng.poisson(500 + 3e4 / (2 * np.pi * sigma**2) * light)
            cards = {"FILTER": band, "FOCUSPOS": position, "EXPTIME": 2.0, "EGAIN": 1.0}
            write_frame(folder / f"{band}_{position}.fits", image.astype(np.uint16), cards=cards)
    (folder / "cut.fits").write_bytes((folder / "L_900.fits").read_bytes()[:20_000])
    return folder


def files(out):
    return {p.name: p.read_bytes() for p in out.iterdir() if p.name != "measured.sqlite"}


def test_a_cluster_processes_and_one_process_write_the_same_files(
    night, tmp_path, cluster, monkeypatch
):
    monkeypatch.chdir(night.parent)
    call = ["offsets", night.name, "--quiet", "--out"]
    ways = {"one": ["--jobs", "1"], "two": ["--jobs", "2"], "many": ["--cluster", cluster()]}
    for name, way in ways.items():
        assert main([*call, str(tmp_path / name), *way]) == 0
    one = files(tmp_path / "one")
    assert len(one) == 5
    assert files(tmp_path / "two") == one
    assert files(tmp_path / "many") == one


#: Workers in which one frame is the death of whoever measures it.
DEADLY = """
import os
from starsize.tracking import tasks
def measure_task(task, measure=tasks.measure_task):
    if task.facts.path.name == "L_950.fits":
        os._exit(1)
    return measure(task)
tasks.measure_task = measure_task
"""


def test_workers_that_die_of_a_frame_cost_no_frame(night, tmp_path, cluster, capsys):
    deadly = tmp_path / "deadly.py"
    deadly.write_text(DEADLY)
    call = ["measure", *(str(night / f"L_{k}.fits") for k in (900, 950, 1000)), "--json"]
    assert main([*call, "--jobs", "1"]) == 0
    alone = capsys.readouterr().out
    assert main([*call, "--cluster", cluster(str(deadly))]) == 0
    # What no worker lives through is measured here, in a process of its own.
    assert capsys.readouterr().out == alone


@pytest.mark.parametrize("verb", ["offsets", "measure", "night"])
def test_nobody_at_the_address_is_one_line(night, tmp_path, capsys, monkeypatch, verb):
    monkeypatch.setattr("starsize.cli.workers._PATIENCE_S", 0.3)
    monkeypatch.chdir(tmp_path)
    assert main([verb, str(night), "--cluster", "tcp://127.0.0.1:9"]) == 2
    said = capsys.readouterr().err
    assert said == (
        "starsize: --cluster tcp://127.0.0.1:9: no scheduler answers there; is the address right?\n"
    )
    assert not list(tmp_path.iterdir())


def test_workers_with_other_code_are_refused(night, tmp_path, cluster, capsys):
    other = tmp_path / "other.py"
    other.write_text("from starsize import cache\ncache.code_version = lambda: 'other'\n")
    address = cluster(str(other))
    assert main(["measure", str(night), "--cluster", address]) == 2
    assert "2 of 2 workers have no starsize, or not the same as here" in capsys.readouterr().err


def test_without_the_extra_the_line_says_what_to_install(night, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert main(["measure", str(night), "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert "pip install 'starsize[cluster]'" in capsys.readouterr().err
