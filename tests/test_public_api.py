"""The public names: pinned, reachable, documented, with at most three positional arguments."""

import inspect
import tomllib
from pathlib import Path

import pytest

import starsize

FUNCTIONS = [name for name in starsize.__all__ if inspect.isfunction(getattr(starsize, name))]


def test_every_public_name_is_reachable_and_listed_once():
    assert len(set(starsize.__all__)) == len(starsize.__all__)
    assert all(getattr(starsize, name) is not None for name in starsize.__all__)
    assert set(starsize.__all__) <= set(dir(starsize))


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="fit_everything"):
        starsize.fit_everything  # noqa: B018 -- reaching for it is the test


@pytest.mark.parametrize("name", FUNCTIONS)
def test_at_most_three_arguments_are_positional_and_none_is_a_catch_all(name):
    kinds = [p.kind for p in inspect.signature(getattr(starsize, name)).parameters.values()]
    assert sum(k is inspect.Parameter.POSITIONAL_OR_KEYWORD for k in kinds) <= 3
    assert inspect.Parameter.VAR_KEYWORD not in kinds


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_public_function_documents_each_argument_and_what_it_returns(name):
    function = getattr(starsize, name)
    text = inspect.getdoc(function) or ""
    assert "Returns" in text or "Yields" in text
    for argument in inspect.signature(function).parameters:
        assert argument in text, argument


@pytest.mark.parametrize("name", FUNCTIONS)
def test_every_public_function_shows_an_example(name):
    text = inspect.getdoc(getattr(starsize, name)) or ""
    assert ">>> " in text.partition("Examples\n--------\n")[2]


@pytest.mark.parametrize(
    "name",
    ["compare_sweeps", "fit_curve", "fit_curves", "half_flux_radius", "micrometres_per_step"],
)
def test_what_rests_on_published_work_names_it(name):
    text = inspect.getdoc(getattr(starsize, name)) or ""
    assert ".. [1] " in text.partition("References\n----------\n")[2]


def test_the_version_is_the_same_in_the_package_and_its_card():
    card = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))
    assert card["project"]["version"] == starsize.__version__
