"""The setup file: what is right is read, and each slip is told with table and key."""

import dataclasses

import pytest
from hypothesis import given, strategies as st

from starsize.errors import SetupError
from starsize.frames import load_setup
from starsize.frames.setup_file import setup_from_tables
from starsize.setup import PLAUSIBLE, Camera, FilterGlass, Focuser, Setup, Telescope

FULL = """
[telescope]
focal_length_mm = 550
aperture_mm = 100.0
obstruction_mm = 0
[focuser]
um_per_step = 4
outward = "decreasing"
steps_per_degC = -6.5
backlash_steps = 0
[camera]
pixel_um = 3.76
gain_e_per_adu = 0.25
read_noise_e = 1.5
saturation_adu = 65535
bayer = "none"
[filters.Ha]
wavelength_nm = 656.3
bandwidth_nm = 3
thickness_mm = 2.0
refractive_index = 1.52
aliases = ["H-alpha", "Slot 5"]
[headers]
position = "FOCUSPOS"
temperature = "FOCTEMP"
filter = "FILTER"
exposure = "EXPTIME"
time = "DATE-OBS"
"""


@pytest.fixture
def write(tmp_path):
    def to_file(content):
        path = tmp_path / "setup.toml"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return to_file


def test_every_entry_is_read(write):
    setup = load_setup(write(FULL))
    assert setup.telescope.focal_ratio == 5.5
    assert setup.telescope.obstruction == 0
    assert setup.focuser.outward == "decreasing"
    assert (setup.focuser.steps_per_degC, setup.focuser.um_per_step) == (-6.5, 4.0)
    assert dataclasses.astuple(setup.camera) == (3.76, 0.25, 1.5, 65535, "none")
    assert setup.filters["Ha"].aliases == ("H-alpha", "Slot 5")
    assert setup.band("Ha").width_nm == 3
    assert setup.headers.position == "FOCUSPOS"


@pytest.mark.parametrize("content", ["", "# nothing yet\n", "[telescope]\n"])
def test_all_of_it_is_optional(write, content):
    assert load_setup(write(content)) == Setup()


def test_a_filter_is_known_under_its_canonical_name(write):
    assert set(load_setup(write("[filters.Lum]\nthickness_mm = 2\n")).filters) == {"L"}


def test_two_filters_of_one_band_keep_the_persons_names(write):
    setup = load_setup(write('[filters."Ha 3nm"]\n[filters."Ha 7nm"]\n[filters.Red]\n'))
    assert set(setup.filters) == {"Ha 3nm", "Ha 7nm", "R"}


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("[telescop]\n", r"\[telescop\]: unknown table; did you mean telescope\?"),
        ("[weather]\n", r"\[weather\]: unknown table; known are telescope, focuser, camera"),
        ("focal_length_mm = 5\n", r"\[focal_length_mm\]: unknown table"),
        ("telescope = 5\n", r"'telescope' must be a table, written \[telescope\], not 5"),
        ("[telescope]\nfocal_lenght_mm = 5\n", r"\[telescope\] focal_lenght_mm: unknown key; did "
         r"you mean focal_length_mm\?"),
        ("[camera]\nPIXEL_UM = 5\n", r"\[camera\] PIXEL_UM: unknown key; did you mean pixel_um\?"),
        ("[filters.Ha]\nthicknes_mm = 5\n", r"\[filters.Ha\] thicknes_mm: unknown key; did you"),
        ("[filters]\nHa = 3\n", r"'Ha' must be a table"),
        ('[telescope]\naperture_mm = "100"\n', r"aperture_mm must be a number \(without quotes\), "
         "not '100'"),
        ("[telescope]\naperture_mm = true\n", r"aperture_mm must be a number .*not true"),
        ("[telescope]\naperture_mm = 0\n", r"aperture_mm must lie between 0.1 and 100,000, not 0"),
        ("[telescope]\naperture_mm = -1\n", r"aperture_mm must lie between .*, not -1"),
        ("[telescope]\naperture_mm = nan\n", r"aperture_mm must lie between .*, not nan"),
        ("[focuser]\num_per_step = inf\n", r"um_per_step must lie between .*, not inf"),
        ("[focuser]\nbacklash_steps = -1\n", r"backlash_steps must lie between 0 and .*, not -1"),
        ('[focuser]\noutward = "up"\n', r'outward must be one of "increasing", "decreasing", not'),
        ('[telescope]\ntube_material = "wood"\n', r'must be one of "aluminium", "carbon", "steel"'),
        ('[camera]\nbayer = "RGB"\n', r'bayer must be one of "header", "none", "RGGB".* not \'RGB'),
        ("[headers]\nposition = 5\n", r"\[headers\] position must be a word in quotes, not 5"),
        ('[headers]\nposition = " "\n', r"\[headers\] position must be a word in quotes"),
        ('[filters.Ha]\naliases = "H-alpha"\n', r"aliases must be a list of names such as"),
        ("[filters.Ha]\naliases = [1]\n", r"aliases must be a list of names such as"),
        ("[filters.Ha]\nrefractive_index = 0.9\n", r"refractive_index must lie between 1.01 and 5"),
        ('[filters.Ha]\naliases = ["X"]\n[filters.R]\naliases = ["x"]\n',
         r"\[filters.R\] aliases: 'x' already stands for Ha"),
        ("[telescope]\naperture_mm = 100\nobstruction_mm = 100\n", r"obstruction_mm must be small"),
        ("[telescope]\naperture_mm = 1e300\n", r"must lie between 0.1 and 100,000, not 1e\+300"),
        (f"[telescope]\naperture_mm = {'9' * 5000}\n", r"a number too long or tables too deep"),
        (f"[telescope]\naperture_mm = {'9' * 400}\n", r"not a number of many digits"),
        (f"[telescope]\naperture_mm = 0x{'f' * 9000}\n", r"not a number of many digits"),
        (f"[telescope]\naperture_mm = {'[' * 2000}{']' * 2000}\n", r"tables too deep"),
        (f"[telescope]\n{'x' * 9000} = 1\n", r"\[telescope\] x{60}: unknown key"),
        ('[filters."Ha\\u001b[2J"]\n', r"not a name that can be shown"),
        ('[filters.Ha]\naliases = ["a\\nb"]\n', r"aliases must be a list of names such as"),
        (f"#{' ' * 300_000}\n", r"too large for a setup file"),
        ("[telescope\n", r"not valid TOML: .*line 1"),
        ("[telescope]\naperture_mm = 1\naperture_mm = 2\n", r"not valid TOML"),
        (b"[telescope]\n# \xe9\n", r"is not UTF-8 text; save it anew"),
        ("[filters]\nHa = 3\n", r"'Ha' must be a table, written \[filters\.Ha\], not 3"),
        ("[filters.L]\nwavelength_nm = 0.55\n", r"must lie between 200 and 2,500, not 0.55"),
        ("[telescope]\nfocal_length_mm = 0.48\naperture_mm = 87\n", r"makes f/0\.00552; .*check"),
    ],
)  # fmt: skip
def test_each_slip_is_one_line_that_names_file_table_and_key(write, content, message):
    path = write(content)
    with pytest.raises(SetupError, match=message) as caught:
        load_setup(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


def test_a_missing_file(tmp_path):
    with pytest.raises(SetupError, match=r"setup\.toml: the setup file cannot be read"):
        load_setup(tmp_path / "setup.toml")


def test_a_folder_in_its_place(tmp_path):
    with pytest.raises(SetupError, match="the setup file cannot be read"):
        load_setup(tmp_path)


plain = st.one_of(st.integers(), st.floats(), st.booleans(), st.text(), st.lists(st.integers()))
tables = st.dictionaries(
    st.sampled_from(["telescope", "focuser", "camera", "filters", "headers", "x"]),
    st.one_of(
        plain,
        st.dictionaries(
            st.sampled_from(
                ["aperture_mm", "outward", "pixel_um", "bayer", "position", "Ha", "aliases"]
            ),
            st.one_of(plain, st.dictionaries(st.sampled_from(["aliases", "thickness_mm"]), plain)),
        ),
    ),
)


@given(tables)
def test_any_content_is_either_a_setup_or_one_clear_line(content):
    try:
        setup = setup_from_tables(content)
    except SetupError as error:
        message = str(error)
        assert message
    else:
        assert isinstance(setup, Setup)


def test_every_figure_of_a_setup_has_a_range():
    kinds = (Telescope, Focuser, Camera, FilterGlass)
    figures = {f.name for kind in kinds for f in dataclasses.fields(kind) if f.type == float | None}
    assert figures <= set(PLAUSIBLE)
