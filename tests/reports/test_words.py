"""Every finding has one sentence, and the layers before write none."""

import ast
from dataclasses import dataclass
from pathlib import Path

import pytest
from jinja2 import UndefinedError
from jinja2.runtime import Macro

import starsize
from starsize.estimate import Estimate, Finding, Notice, notice
from starsize.reports.words import in_words, macros, worded

PACKAGE = Path(starsize.__file__).parent
CODES = {code for code, made in vars(macros("findings.txt")).items() if isinstance(made, Macro)}
COMPUTING = sorted(m for layer in ("comparison", "curves") for m in (PACKAGE / layer).rglob("*.py"))
MODULES = [
    *COMPUTING,
    *sorted((PACKAGE / "frames").glob("*.py")),
    *sorted((PACKAGE / "night").glob("*.py")),
    PACKAGE / "pipeline.py",
    PACKAGE / "night_run.py",
]


def test_findings_are_put_into_words_however_deep_they_lie():
    @dataclass(frozen=True)
    class Holder:
        why: str
        parts: tuple

    best = Finding("best_focus", best=Estimate(12.2, 0.31), frames=9)
    play = Finding("play_at_start", answer=best, frames=1, play=Estimate(40.0, 3.0))
    said = worded(Holder(play, (notice("drift_in_time"), "as it was", 3)))
    assert said.why.startswith("Best focus at 12 +- 0.3 steps from 9 frames. The first frame was")
    assert said.parts[1:] == ("as it was", 3)
    assert isinstance(said.parts[0], Notice)
    assert said.parts[0].text.startswith("no temperatures were recorded")


def test_what_is_in_words_already_is_handed_on_as_it_is():
    result = (Notice("a", "b"), ("c",))
    assert worded(result) is result
    assert in_words(lambda: result)() is result


def test_a_finding_without_a_sentence_is_our_error():
    with pytest.raises(KeyError, match="unheard_of"):
        worded(Finding("unheard_of"))


def codes(path):
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("Finding", "notice"):
            (code,) = node.args[:1]
            if isinstance(code, ast.Constant):
                yield code.value, {keyword.arg for keyword in node.keywords}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_every_code_has_a_sentence(path):
    assert {code for code, _ in codes(path)} <= CODES


def test_sentences_count_and_choose():
    few = Finding("too_few_positions", frames=1, positions=1, at_steps=None)
    assert "1 usable frame at 1 position. Take" in worded(few)
    assert "all 5 frames were taken at one position, 900." in worded(
        Finding("too_few_positions", frames=5, positions=1, at_steps=900.0)
    )
    assert "over about 120 steps" in worded(
        Finding("too_narrow", span_steps=12.0, needed_steps=123.4)
    )
    assert worded(Finding("not_measured", sweeps=("A.", "A", "B."))) == "A; B"
    moved = {"change": 0.04, "half95": 1.0, "zone": 3.0}
    assert worded(Finding("nothing_changed", **moved)).startswith("0.0 +- 1.0 steps (95 %), not")


def test_a_fact_that_a_sentence_lacks_is_our_error():
    with pytest.raises(UndefinedError, match="needed_steps"):
        worded(Finding("too_narrow", span_steps=12.0))


def test_every_sentence_is_of_a_code_that_a_layer_hands_on():
    text = "".join(path.read_text("utf-8") for path in MODULES)
    made = {"temperature_bounded", "drift_bounded", "direction_bounded"}
    made |= {"temperature_disagrees", "direction_disagrees"}
    assert {code for code in CODES if f'"{code}"' not in text} == made


@pytest.mark.parametrize("path", COMPUTING, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_no_sentence_stands_in_the_computation(path):
    """Strings of four words and more are docstrings, reprs, or what an exception says."""
    tree = ast.parse(path.read_text("utf-8"))
    allowed = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr)}
    for node in ast.walk(tree):
        is_repr = isinstance(node, ast.FunctionDef) and node.name == "__repr__"
        if is_repr or isinstance(node, ast.Raise):
            allowed |= {id(part) for part in ast.walk(node)}
        targets = getattr(node, "targets", [getattr(node, "target", None)])
        if [getattr(target, "id", "") for target in targets] == ["msg"]:
            allowed |= {id(part) for part in ast.walk(node)}
    found = [
        node.value
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, str)
        and id(node) not in allowed
    ]
    assert [text for text in found if len(text.split()) > 3] == []
