"""The public names: pinned, reachable, documented, with at most three positional arguments."""

import inspect
import tomllib
from pathlib import Path

import numpy as np
import pytest
from astropy.table import QTable, Table

import starsize
from starsize.frames import FrameFacts, InputFile
from starsize.setup import Telescope

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


TAKE_SETUP = [
    name for name in FUNCTIONS if "setup" in inspect.signature(getattr(starsize, name)).parameters
]


@pytest.mark.parametrize("name", TAKE_SETUP)
def test_a_path_in_place_of_a_setup_is_a_type_error_that_says_what_to_pass(name):
    function = getattr(starsize, name)
    given = inspect.signature(function).parameters.items()
    needed = dict.fromkeys((key for key, one in given if one.default is one.empty), ())
    with pytest.raises(TypeError, match=r"must be a Setup, as load_setup\(path\) reads it"):
        # A generator begins when it is first asked.
        list(function(**(needed | {"setup": "setup.toml"})))


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


NOISE = np.random.default_rng(1).normal(500, 10, (64, 64))
Y, X = np.mgrid[:64, :64]
STAR = NOISE + 3e4 * np.exp(-((X - 30) ** 2 + (Y - 33) ** 2) / (2 * 3.0**2))


@pytest.mark.parametrize("table", [Table, QTable])
@pytest.mark.parametrize("name", ["{}", "{}centroid", "{}_centroid"])
def test_places_may_be_what_the_finders_of_other_packages_hand_out(table, name):
    places = table({name.format("x"): [30.0], name.format("y"): [33.0]})
    assert starsize.half_flux_radius(STAR, places).radius == pytest.approx(3.53, abs=0.05)


def test_a_table_without_places_is_refused_by_name():
    with pytest.raises(ValueError, match=r"'positions' has no column 'x' .*: column, row"):
        starsize.half_flux_radius(STAR, Table({"column": [30.0], "row": [33.0]}))


def test_metadata_of_a_measured_frame_are_plain_numbers():
    meta = starsize.measure_frame(STAR).meta
    assert meta["n_found"] == 1
    assert {type(value) for value in meta.values()} <= {int, float}


@pytest.mark.parametrize(
    ("thing", "shown"),
    [
        (starsize.Setup(), "<Setup: nothing known>"),
        (
            starsize.Setup(telescope=Telescope(focal_length_mm=550.0, aperture_mm=100.0)),
            "<Setup: 550 mm, f/5.5>",
        ),
        (
            FrameFacts(path=Path("night/a.fits"), filter="L", position_steps=1200.0),
            "<FrameFacts a.fits: L at 1200 steps>",
        ),
        (FrameFacts(path=Path("a.fits")), "<FrameFacts a.fits: no filter>"),
        (InputFile(Path("night/a.fits")), "<InputFile a.fits: usable>"),
        (InputFile(Path("b.fits"), None, "not read"), "<InputFile b.fits: not read>"),
        (starsize.half_flux_radius(STAR, [(30, 33), (9, 9)]), "<Stars: 2>"),
    ],
)
def test_what_is_printed_while_working_fits_a_line(thing, shown):
    assert repr(thing) == shown
