"""The examples run as they stand, say something, and end with a picture."""

import runpy
import sys
from pathlib import Path

import matplotlib as mpl
import matplotlib.pyplot as plt
import pytest

ROOT = Path(__file__).parents[1]
EXAMPLES = sorted((ROOT / "scripts" / "examples").glob("*.py"))


def test_there_are_five_and_they_are_short():
    assert [path.name[:2] for path in EXAMPLES] == ["01", "02", "03", "04", "05"]
    assert all(len(path.read_text("utf-8").splitlines()) <= 40 for path in EXAMPLES)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_runs(path, tmp_path, monkeypatch, capsys):
    mpl.use("agg")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "argv", [str(path)])
    # In this process: each of its own would spend most of its time on imports.
    runpy.run_path(str(path), run_name="__main__")
    plt.close("all")
    said, complained = capsys.readouterr()
    assert said.strip()
    assert complained == ""
    assert (tmp_path / f"{path.stem}.png").stat().st_size > 5_000
    if path.stem == "04_own_radii":
        assert said in (ROOT / "README.md").read_text("utf-8")
