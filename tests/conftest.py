"""What all tests share: the measured demo night, and property tests that are always the same."""

import csv
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

from starsize.cli import main

DEMO = Path(__file__).parents[1] / "testdata" / "demo_night"

# Windows has no process groups that a signal could be sent to.
collect_ignore = ["cli/test_stopping.py"] if os.name == "nt" else []

settings.register_profile(
    "starsize", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("starsize")


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """Measure the demo night once; hand back exit status and result folder."""
    out = tmp_path_factory.mktemp("demo") / "out"
    setup = DEMO / "setup.toml"
    status = main(
        ["offsets", str(DEMO), "--setup", str(setup), "--out", str(out), "--quiet", "--jobs", "1"]
    )
    return status, out


@pytest.fixture(scope="session")
def rows(demo):
    """Return the rows of the demo night's offset table, by filter."""
    with (demo[1] / "offsets.csv").open(encoding="utf-8", newline="") as file:
        return {row["filter"]: row for row in csv.DictReader(file)}
