"""Filter names as people write them, and where the bands lie."""

import pytest

from starsize.filters import BANDS, ORDER, canonical_filter, filter_order, usual_band
from starsize.setup import FilterGlass, Setup


@pytest.mark.parametrize(
    ("written", "name"),
    # Spellings seen in FITS headers and in trade (common practice).
    [
        ("Lum", "L"),
        ("Luminance", "L"),
        ("L ", "L"),
        ("Red", "R"),
        ("green", "G"),
        ("BLUE", "B"),
        ("Ha", "Ha"),
        ("H-alpha", "Ha"),
        ("H_Alpha", "Ha"),
        ("Halpha", "Ha"),
        ("Ha 7nm", "Ha"),
        ("Ha6.5nm", "Ha"),
        ("S2", "SII"),
        ("S II", "SII"),
        ("[SII]", "SII"),
        ("O3", "OIII"),
        ("OIII 3nm", "OIII"),
        ("[O III]", "OIII"),
        ("O3 3nm", "OIII"),
        ("O33nm", "OIII"),
        ("S2 3nm", "SII"),
        ("S2 6.5nm", "SII"),
        ("Ha 7", "Ha"),
        ("R (2)", "R"),
        ("Acme Ha 3nm", "Ha"),
        ("Acme-Optics Red", "R"),
    ],
)
def test_the_usual_spellings_come_to_one_name(written, name):
    assert canonical_filter(written) == name


@pytest.mark.parametrize(
    "written",
    [
        "V",
        "g'",
        "Sloan r",
        "Bessell R",
        "UHC",
        "Hbeta",
        "Methane 889nm",
        "Ha OIII",
        "Ha+OIII",
        "L-Dual",
    ],
)
def test_other_names_are_kept_as_they_are(written):
    assert canonical_filter(f" {written} ") == written


def test_the_persons_own_spelling_wins():
    assert canonical_filter("red", aliases={"Red": "Ha"}) == "Ha"
    assert canonical_filter("Slot 3", aliases={"slot-3": "OIII"}) == "OIII"


def test_filters_are_listed_in_the_order_people_expect():
    mixed = ["V", "OIII", "B", "L", "Ha", "G", "SII", "R", "I"]
    assert sorted(mixed, key=filter_order) == [*ORDER, "I", "V"]


@pytest.mark.parametrize(
    ("name", "line_angstrom"),
    # Air wavelengths, NIST ASD: H-alpha 6562.80, [O III] 5006.84, mean of [S II] 6716.44, 6730.82.
    [("Ha", 6562.80), ("OIII", 5006.84), ("SII", (6716.44 + 6730.82) / 2)],
)
def test_narrow_bands_sit_on_their_lines(name, line_angstrom):
    assert BANDS[name].wavelength_nm == pytest.approx(line_angstrom / 10, abs=0.05)


def test_the_broad_bands_cover_the_visible_without_a_gap():
    for lower, upper in (("B", "G"), ("G", "R")):
        end = BANDS[lower].wavelength_nm + BANDS[lower].width_nm / 2
        assert end >= BANDS[upper].wavelength_nm - BANDS[upper].width_nm / 2 - 10


@pytest.mark.parametrize(
    ("name", "pivot_angstrom"),
    # Pivot wavelengths of the response curves in speclite 1.0.0 (Bessell 1990; SDSS 2010).
    [
        ("U", 3598), ("Bessell B", 4399), ("V", 5500), ("Rc", 6556), ("Cousins R", 6556),
        ("Ic", 8047), ("I", 8047), ("u", 3589), ("g'", 4701), ("SDSS r", 6177), ("Sloan_i", 7496),
        ("z", 8904),
    ],
)  # fmt: skip
def test_photometric_and_survey_bands_are_known_by_their_published_wavelengths(
    name, pivot_angstrom
):
    assert Setup().band(name).wavelength_nm == pytest.approx(pivot_angstrom / 10, abs=0.05)


def test_the_setup_overrides_a_usual_band_and_an_unknown_name_has_none():
    setup = Setup(filters={"V": FilterGlass(wavelength_nm=540.0)})
    assert setup.band("V").wavelength_nm == 540.0
    assert usual_band("UHC") is None
