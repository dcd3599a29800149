"""The guide for developers leads to files that are there, and stays a guide."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "DEVELOPERS.md").read_text("utf-8")
PLACES = re.findall(r"^\| [^|]+ \| ([^|]+) \| ([^|]+) \|$", GUIDE, re.MULTILINE)[1:]


@pytest.mark.parametrize("where", [place for place, _ in PLACES])
def test_each_place_to_go_to_is_there(where):
    first, *rest = re.findall(r"`([\w/]+\.(?:py|json|txt|toml))`", where)
    for path in (first, *rest):
        places = (path, f"starsize/{path}", f"starsize/{Path(first).parent}/{path}")
        assert any((ROOT / place).is_file() for place in places), path


@pytest.mark.parametrize("what", sorted({run for _, run in PLACES}))
def test_each_thing_to_run_is_there(what):
    assert (ROOT / what.strip("` ")).exists()


def test_each_measuring_script_is_named_and_the_guide_is_short():
    helpers = {"run", "test", "make_testdata", "make_growth_bank"}
    for script in (ROOT / "scripts").glob("[!_]*.py"):
        assert script.stem in helpers or f"{script.name}`" in GUIDE
    assert len(GUIDE.splitlines()) <= 130
