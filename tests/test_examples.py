"""The examples run as they stand, say something, and end with a picture."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
EXAMPLES = sorted((ROOT / "scripts" / "examples").glob("*.py"))


def test_there_are_five_and_they_are_short():
    assert [path.name[:2] for path in EXAMPLES] == ["01", "02", "03", "04", "05"]
    assert all(len(path.read_text("utf-8").splitlines()) <= 40 for path in EXAMPLES)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_runs(path, tmp_path):
    done = subprocess.run(
        [sys.executable, str(path)],
        cwd=tmp_path, capture_output=True, text=True, check=False, timeout=600,
        env={**os.environ, "MPLBACKEND": "agg", "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.strip()
    assert (tmp_path / f"{path.stem}.png").stat().st_size > 5_000


def test_what_the_readme_shows_of_an_example_is_what_it_says(tmp_path):
    readme = (ROOT / "README.md").read_text("utf-8")
    example = ROOT / "scripts" / "examples" / "04_own_radii.py"
    said = subprocess.run(
        [sys.executable, str(example)],
        cwd=tmp_path, capture_output=True, text=True, check=True,
        env={**os.environ, "MPLBACKEND": "agg", "PYTHONPATH": str(ROOT)},
    ).stdout  # fmt: skip
    assert said in readme
