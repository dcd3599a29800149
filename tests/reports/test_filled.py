"""Templates are compiled once: the second run reads what the first one kept."""

import pytest
from jinja2 import DictLoader, Environment

from starsize.reports import report_html, words
from starsize.reports.words import Compiled


@pytest.fixture
def say(tmp_path):
    """Fill a template in an environment that has seen nothing yet."""

    def filled(folder=tmp_path / "kept", text="{{ x }} steps"):
        kept = Compiled(str(folder))
        return Environment(loader=DictLoader({"a": text}), bytecode_cache=kept).get_template("a")

    return filled


def test_what_was_compiled_is_read_again(say, tmp_path, monkeypatch):
    assert say().render(x=12) == "12 steps"
    assert len(list((tmp_path / "kept").iterdir())) == 1
    monkeypatch.setattr(Environment, "compile", None)  # nothing is left to compile
    assert say().render(x=-3) == "-3 steps"


def test_a_template_that_changed_is_compiled_again(say):
    assert say().render(x=12) == "12 steps"
    assert say(text="{{ x }} um").render(x=12) == "12 um"


def test_where_nothing_can_be_written_all_goes_on(say, tmp_path):
    (tmp_path / "taken").write_text("a file where the folder would be")
    assert say(folder=tmp_path / "taken" / "kept").render(x=12) == "12 steps"


@pytest.mark.parametrize("first", [True, False])
def test_a_page_and_a_text_keep_their_own_code(first, night, tmp_path, monkeypatch):
    """What a text compiled escapes nothing: a page that took it would be broken or unsafe."""
    page = report_html(night)
    monkeypatch.setattr(words, "_KEPT", str(tmp_path))
    monkeypatch.setattr("sys.dont_write_bytecode", False)
    for is_text in (first, not first, first):
        words.environment.cache_clear()
        if is_text:
            words.environment(is_text=True).get_template("said.txt")
        else:
            assert report_html(night) == page
    words.environment.cache_clear()
