"""What the README shows is what the program does."""

import ast
import re
import shlex
import tomllib
from pathlib import Path

import pytest

from starsize.cli.arguments import build_parser
from starsize.cli.shared import CACHE_FILE
from starsize.frames.setup_file import setup_from_tables
from starsize.frames.tables import COLUMNS, read_facts_csv
from starsize.plan import plan_capture
from starsize.reports import RESULT_FILES

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text("utf-8")
DEMO = ROOT / "testdata" / "demo_night"


def blocks(language, text=README):
    fenced = re.findall(r"^```(\w*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    return [block for spoken, block in fenced if spoken == language]


def section(title):
    return README.split(f"## {title}\n", 1)[1].split("\n## ", 1)[0]


def shown_calls():
    lines = [line for block in blocks("") for line in block.splitlines()]
    lines += re.findall(r"`(starsize [^`]+)`", README)
    return sorted({line.split("#")[0].strip() for line in lines if line.startswith("starsize ")})


def test_readme_shows_calls_of_every_verb():
    assert {call.split()[1] for call in shown_calls()} == {
        "offsets", "measure", "compare", "night", "plan", "simulate",
    }  # fmt: skip


@pytest.mark.parametrize("call", shown_calls())
def test_each_call_shown_is_one_the_parser_knows(call):
    words = [word.rstrip(".") for word in shlex.split(re.sub(r"[\[\]]", "", call))][1:]
    # A number where the usage line says N, a place where it says anything else.
    arguments = build_parser().parse_args(["1" if word == "N" else word for word in words])
    assert arguments.verb == words[0]


@pytest.mark.parametrize("option", sorted(set(re.findall(r"`(--[a-z]+)`", README))))
def test_each_option_named_exists_in_some_verb(option, capsys):
    known = ""
    for verb in ("offsets", "measure", "compare", "night", "plan", "simulate"):
        with pytest.raises(SystemExit):
            build_parser().parse_args([verb, "--help"])
        known += capsys.readouterr().out
    assert re.search(rf"{option}\b", known)


def test_each_script_shown_is_there():
    scripts = re.findall(r"python3 (scripts/\w+\.py)", README)
    assert scripts
    assert all((ROOT / script).is_file() for script in scripts)


def test_the_demo_table_shown_is_what_the_demo_gives(rows):
    (shown,) = blocks("", section("The demo night"))
    found = re.findall(
        r"^ (\w+) +([+-]?\d+) .*?(reference|or leave it|leave it|move|refocus)"
        r"(?:, costs [\d.]+ %)?$",
        shown,
        re.M,
    )
    words = {"ignore": "or leave it", "move": "move", "refocus": "refocus"}
    assert found == [
        (name, f"{move:+d}" if (move := int(row["move_steps"])) else "0",
         "reference" if name == row["reference"]
         else words[row["action"]] if int(row["move_steps"]) else "leave it")
        for name, row in rows.items()
    ]  # fmt: skip


def test_the_demo_verdict_shown_is_what_the_demo_gives(demo):
    page = (demo[1] / "report.html").read_text("utf-8")
    (shown,) = blocks("", section("The demo night"))
    (verdict,) = re.findall(r"^No single focus .*$", shown, re.MULTILINE)
    assert verdict in page


def test_the_files_listed_are_the_files_written():
    listed = re.findall(r"^\| `([\w.]+)` \|", section("What comes out"), re.MULTILINE)
    assert sorted(listed) == sorted((*RESULT_FILES.names, CACHE_FILE))


def test_the_setup_file_shown_is_accepted():
    (shown,) = blocks("toml", section("The setup file"))
    setup = setup_from_tables(tomllib.loads(shown))
    assert setup.filters["Ha"].thickness_mm == 2.0


def test_the_plan_shown_is_what_the_program_plans():
    text = section("What to capture")
    (shown,) = blocks("toml", text)
    call = next(line for line in shown_calls() if "--filters L,R,G,B,Ha" in line)
    filters = shlex.split(call)[-1].split(",")
    setup = setup_from_tables(tomllib.loads(shown))
    plan = plan_capture(setup, filters=filters, position_steps=12000)
    order = " ".join(sweep[0].filter for sweep in plan.sweeps)
    assert f"{len(plan.exposures)} exposures in six sweeps" in text.replace("\n", " ")
    assert order in text
    for name, one in plan.offsets.items():
        if name != "L":
            assert f"| {name} | ±{one.sigma:.1f} |" in text


def test_the_facts_table_shown_is_accepted(tmp_path):
    (shown,) = [block for block in blocks("") if block.startswith("file,")]
    table = tmp_path / "facts.csv"
    table.write_text(shown, "utf-8")
    assert [row.stated["position_steps"] for row in read_facts_csv(table)] == [12040, 12060]
    assert all(f"{name}" in section("What to capture") for name in COLUMNS)


@pytest.mark.parametrize("number", range(len(blocks("python"))))
def test_each_python_snippet_runs(number, tmp_path, monkeypatch, capsys):
    night = tmp_path / "my-night"
    night.mkdir()
    for frame in sorted(DEMO.glob("evening_*.fits.fz"))[:22]:  # one sweep of L, one of R
        (night / frame.name).write_bytes(frame.read_bytes())
    (tmp_path / "setup.toml").write_bytes((DEMO / "setup.toml").read_bytes())
    monkeypatch.chdir(tmp_path)
    source = blocks("python")[number]
    exec(compile(ast.parse(source), "README.md", "exec"), {"__name__": "readme"})
    assert capsys.readouterr().out.strip()
