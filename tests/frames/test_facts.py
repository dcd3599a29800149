"""Facts of a frame under the keywords in use (spellings as found in public headers)."""

import pytest
from astropy.time import Time

from starsize.frames import read_facts
from starsize.setup import Camera, FilterGlass, HeaderNames, Setup


@pytest.mark.parametrize(
    "keyword",
    ["FOCUSPOS", "FOCPOS", "FOCPOSN", "FOC-POS", "FOCUS", "FOCUSER", "TELFOCUS",
     "ESO TEL FOCU VALUE"],
)  # fmt: skip
@pytest.mark.parametrize("value", [12345, 12345.0, "12345", " 12345"])
def test_position_under_every_keyword_and_type(make_fits, keyword, value):
    facts = read_facts(make_fits(cards={keyword: value}))
    assert facts.position_steps == 12345
    assert facts.position_from == keyword


@pytest.mark.parametrize("word", ["UNKNOWN", "NaN", "", -999, -9999])
def test_a_later_keyword_serves_where_the_first_says_nothing(make_fits, word):
    facts = read_facts(make_fits(cards={"FOCUSPOS": word, "FOCPOS": 7000}))
    assert facts.position_steps == 7000


@pytest.mark.parametrize(
    "keyword", ["DFOCUS", "FOCTELZP", "FOCTOFF", "FOCZOFF", "FOCAFOFF", "FOCOBOFF", "FOC-VAL"]
)
def test_offsets_and_lengths_are_not_positions(make_fits, keyword):
    # Offsets, zero points and millimetres found beside the position in public headers.
    assert read_facts(make_fits(cards={keyword: 120})).position_steps is None


@pytest.mark.parametrize(
    "keyword",
    ["FOCTEMP", "FOCUSTEM", "FOCUSTMP", "FOC-TEMP", "MSURTEMP", "UPTRTEMP", "LWTRTEMP",
     "ESO INS FOCU2 TEMP"],
)  # fmt: skip
def test_focuser_temperature_wins_over_the_air(make_fits, keyword):
    facts = read_facts(make_fits(cards={"AMBTEMP": 1.0, keyword: 4.5}))
    assert (facts.temperature_degC, facts.temperature_of) == (4.5, "focuser")


@pytest.mark.parametrize("keyword", ["AMBTEMP", "AMB-TEMP", "MAIRTEMP"])
def test_the_air_serves_where_the_focuser_has_no_probe(make_fits, keyword):
    facts = read_facts(make_fits(cards={"FOCTEMP": -127.0, keyword: 4.5}))
    assert (facts.temperature_degC, facts.temperature_of) == (4.5, "ambient")


@pytest.mark.parametrize(
    ("cards", "altitude"),
    [({"OBJCTALT": 41.5, "AIRMASS": 1.2}, 41.5), ({"CENTALT": "62.25"}, 62.25),
     # Flat layers of air: X = 1 / sin(altitude), so 2 is 30 degrees.
     ({"AIRMASS": 2.0}, 30.0), ({"AIRMASS": 0.0}, None), ({"OBJCTALT": -12.0}, None), ({}, None)],
)  # fmt: skip
def test_how_high_the_telescope_points(make_fits, cards, altitude):
    assert read_facts(make_fits(cards=cards)).altitude_deg == pytest.approx(altitude)


def test_the_temperature_of_the_sensor_is_not_that_of_the_telescope(make_fits):
    facts = read_facts(make_fits(cards={"CCD-TEMP": -10.0, "SET-TEMP": -10.0}))
    assert facts.temperature_degC is None
    assert facts.temperature_of is None


@pytest.mark.parametrize(
    ("cards", "expected"),
    [
        ({"FILTER": "Lum "}, "L"),
        ({"FILTER": "H_Alpha"}, "Ha"),
        ({"FILTER": "[SII]"}, "SII"),
        ({"FILTER": "S II"}, "SII"),
        ({"FILTER": "O3"}, "OIII"),
        ({"FILTER": "V"}, "V"),
        ({"FILTER": 3}, "3"),
        ({"FILTER": "", "FWHEEL": "Red"}, "R"),
        ({"FILTER1": "Open", "FILTER2": "Blue"}, "B"),
        ({"FILTER1": "Green", "FILTER2": "clear"}, "G"),
        ({"FILTER1": "Clear", "FILTER2": "Empty"}, "L"),
        ({"ESO INS FILT1 NAME": "Halpha"}, "Ha"),
        ({"FILTER": "UNKNOWN"}, None),
    ],
)
def test_filter_names_come_to_one_spelling(make_fits, cards, expected):
    assert read_facts(make_fits(cards=cards)).filter == expected


def test_the_persons_own_filter_spelling_wins(make_fits):
    setup = Setup(filters={"Ha": FilterGlass(aliases=("Slot 5",))})
    assert read_facts(make_fits(cards={"FILTER": "slot 5"}), setup=setup).filter == "Ha"


@pytest.mark.parametrize("keyword", ["EXPTIME", "EXPOSURE", "XPOSURE"])
def test_exposure_under_every_keyword(make_fits, keyword):
    assert read_facts(make_fits(cards={keyword: 2.5})).exposure_s == 2.5


MIDDLE = Time("2026-01-31T22:15:00").mjd


@pytest.mark.parametrize(
    "cards",
    [
        {"DATE-OBS": "2026-01-31T22:14:30"},
        {"DATE-BEG": "2026-01-31T22:14:30"},
        {"DATE-AVG": "2026-01-31T22:15:00", "DATE-OBS": "2026-01-31T22:00:00"},
        {"DATE-OBS": "2026-01-31", "TIME-OBS": "22:14:30.000"},
        {"DATE-OBS": "2026-01-31", "MJD-OBS": MIDDLE - 30 / 86400},
        {"DATE-OBS": "2026-01-31T22:15:07", "TIMESYS": "TAI"},
        {"MJD-OBS": MIDDLE - 30 / 86400},
        {"MJD-AVG": MIDDLE},
    ],
)
def test_the_time_is_that_of_the_middle_of_the_exposure(make_fits, cards):
    # FITS standard 4.0, table 35: DATE-AVG is the average, DATE-BEG the start; DATE-OBS the
    # start in common practice.
    facts = read_facts(make_fits(cards={"EXPTIME": 60.0, **cards}))
    assert facts.mid_time_mjd == pytest.approx(MIDDLE, abs=1e-8)


@pytest.mark.parametrize(
    ("written", "kind"),
    [
        ("Light Frame", "light"), ("LIGHT", "light"), ("object", "light"), ("FOCUS", "light"),
        ("Dark Frame", "dark"), ("DARK", "dark"), ("Dark Flat", "dark"), ("MasterDark", "dark"),
        ("Flat Field", "flat"), ("SKYFLAT", "flat"), ("Sky Flat", "flat"), ("DOMEFLAT", "flat"),
        ("Bias Frame", "bias"), ("zero", "bias"), ("Offset", "bias"), ("FLAT,SKY", "flat"),
        ("filter offsets", "light"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("keyword", ["IMAGETYP", "FRAME", "OBSTYPE", "ESO DPR TYPE"])
def test_the_kind_of_frame_as_headers_write_it(make_fits, keyword, written, kind):
    assert read_facts(make_fits(cards={keyword: written})).kind == kind


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("Dark_300s_001.fits", "dark"), ("masterflat_R.fits", "flat"), ("bias-001.fit", "bias"),
        ("flats_L.fits", "flat"), ("zero001.fits", "bias"), ("dark_nebula_001.fits", "light"),
        ("L_001.fits", "light"), ("darkness.fits", "light"),
    ],
)  # fmt: skip
def test_the_name_tells_the_kind_only_where_the_header_is_silent(make_fits, name, kind):
    assert read_facts(make_fits(name)).kind == kind
    assert read_facts(make_fits(f"told/{name}", {"IMAGETYP": "Light"})).kind == "light"


def test_an_exposure_of_zero_is_a_bias_frame(make_fits):
    assert read_facts(make_fits(cards={"EXPTIME": 0.0})).kind == "bias"


@pytest.mark.parametrize("keyword", ["FOCUSSZ", "FOCUSSSZ"])
def test_step_size_and_its_misspelling(make_fits, keyword):
    # FOCUSSSZ and the value 0.0 for "unknown" occur in public headers.
    assert read_facts(make_fits(cards={keyword: 4.0})).um_per_step == 4.0
    assert read_facts(make_fits("b.fits", {keyword: 0.0})).um_per_step is None


def test_optics_and_camera(make_fits):
    cards = {"XPIXSZ": 7.52, "XBINNING": 2, "FOCALLEN": 550.0, "APTDIA": 100.0, "EGAIN": 0.25,
             "RDNOISE": 1.5, "SATURATE": 60000, "INSTRUME": "invented camera"}  # fmt: skip
    facts = read_facts(make_fits(cards=cards))
    assert facts.pixel_um == 7.52
    assert facts.binning == 2
    assert facts.camera == "invented camera"
    assert (facts.focal_length_mm, facts.aperture_mm) == (550, 100)
    assert (facts.gain_e_per_adu, facts.read_noise_e, facts.saturation_adu) == (0.25, 1.5, 60000)


def test_aperture_from_the_focal_ratio(make_fits):
    facts = read_facts(make_fits(cards={"FOCALLEN": 550.0, "FOCRATIO": 5.5, "APTDIA": 0.0}))
    assert facts.aperture_mm == pytest.approx(100)


def test_a_gain_setting_is_not_electrons_per_count(make_fits):
    # Common practice: GAIN holds a unitless camera setting such as 100.
    assert read_facts(make_fits(cards={"GAIN": 100})).gain_e_per_adu is None
    told = {"GAIN": (1.4, "[e-/ADU] conversion gain")}
    assert read_facts(make_fits("b.fits", told)).gain_e_per_adu == 1.4
    other = {"GAIN": (1.4, "[ADU/e-] conversion gain")}
    assert read_facts(make_fits("c.fits", other)).gain_e_per_adu is None


def test_datamax_counts_only_where_it_is_the_end_of_a_converter(make_fits):
    # DATAMAX may be the brightest pixel of this very frame (common practice).
    assert read_facts(make_fits(cards={"DATAMAX": 65535.0})).saturation_adu == 65535
    assert read_facts(make_fits("b.fits", {"DATAMAX": 31234.0})).saturation_adu is None


def test_the_colour_pattern_is_counted_from_the_first_stored_pixel(make_fits):
    cards = {"BAYERPAT": "RGGB", "ROWORDER": "BOTTOM-UP", "XBAYROFF": 1, "YBAYROFF": 0}
    assert read_facts(make_fits(cards=cards)).bayer == "BGGR"
    top_down = {"BAYERPAT": "RGGB", "ROWORDER": "TOP-DOWN"}
    assert read_facts(make_fits("b.fits", top_down)).bayer == "RGGB"


@pytest.mark.parametrize(("forced", "expected"), [("none", None), ("GBRG", "GBRG")])
def test_the_setup_can_forbid_or_force_the_colour_pattern(make_fits, forced, expected):
    setup = Setup(camera=Camera(bayer=forced))
    assert read_facts(make_fits(cards={"BAYERPAT": "RGGB"}), setup=setup).bayer == expected


def test_keywords_named_by_the_person_win(make_fits):
    cards = {"FOCUSPOS": 1, "MYPOS": 14.303, "FOCTEMP": 1.0, "MYTEMP": 2.0, "FILTER": "R",
             "MYFILT": "G", "EXPTIME": 1.0, "MYEXP": 8.0, "DATE-OBS": "2026-01-31T22:00:00",
             "MYTIME": "2026-01-31T23:00:00"}  # fmt: skip
    names = HeaderNames(position="mypos", temperature="MYTEMP", filter="MYFILT", exposure="MYEXP",
                        time="MYTIME")  # fmt: skip
    facts = read_facts(make_fits(cards=cards), setup=Setup(headers=names))
    assert (facts.position_steps, facts.temperature_degC) == (14.303, 2.0)
    assert (facts.filter, facts.exposure_s) == ("G", 8.0)
    assert facts.mid_time_mjd == pytest.approx(Time("2026-01-31T23:00:04").mjd, abs=1e-8)


def test_a_hierarch_keyword_can_be_named_with_or_without_the_word(make_fits):
    path = make_fits(cards={"OBS FOCUS STAGE COUNT": 4711})
    for name in ("OBS FOCUS STAGE COUNT", "HIERARCH OBS FOCUS STAGE COUNT"):
        setup = Setup(headers=HeaderNames(position=name))
        assert read_facts(path, setup=setup).position_steps == 4711


def test_an_extension_inherits_from_the_primary_header(tmp_path):
    import numpy as np
    from astropy.io import fits

    primary = fits.PrimaryHDU()
    primary.header["FILTER"] = "Ha"
    primary.header["FOCUSPOS"] = 1
    image = fits.ImageHDU(np.zeros((3, 5), np.int16))
    image.header["FOCUSPOS"] = 2
    fits.HDUList([primary, image]).writeto(tmp_path / "a.fits")
    facts = read_facts(tmp_path / "a.fits")
    assert (facts.filter, facts.position_steps, facts.hdu, facts.shape) == ("Ha", 2, 1, (3, 5))


def test_a_value_that_breaks_the_standard_is_not_known(make_fits):
    # NaN without quotes is not a FITS value; some writers put it all the same.
    path = make_fits(cards={"FOCTEMP": 1.0, "FOCUSPOS": 5000})
    raw = path.read_bytes()
    at = raw.index(b"FOCTEMP =")
    card = b"FOCTEMP =                  nan".ljust(80)
    path.write_bytes(raw[:at] + card + raw[at + 80 :])
    facts = read_facts(path)
    assert facts.temperature_degC is None
    assert facts.position_steps == 5000
