"""Glasses against makers' catalogue values; doublets against the thin-lens table."""

import numpy as np
import pytest

from starsize.simulate.glasses import (
    LINES_NM,
    abbe_number,
    partial_dispersion,
    refractive_index,
    secondary_spectrum,
    thin_doublet_shift,
)

# n_F, n_e, n_d, n_C, n_g, V_d as printed in the makers' catalogues (Schott, Ohara; Malitson 1965
# and 1963 for fused silica and fluorite), collected in the refractiveindex.info data base, CC0.
CATALOGUE = {
    "N-BK7": (1.52238, 1.51872, 1.51680, 1.51432, 1.52668, 64.17),
    "F2": (1.63208, 1.62408, 1.62004, 1.61503, 1.64202, 36.37),
    "N-F2": (1.63208, 1.62408, 1.62005, 1.61506, 1.64209, 36.43),
    "SF2": (1.66123, 1.65222, 1.64769, 1.64210, 1.67249, 33.85),
    "fused silica": (1.46313, 1.46008, 1.45846, 1.45637, 1.46669, 67.82),
    "N-ZK7": (1.51423, 1.51045, 1.50847, 1.50592, 1.51869, 61.19),
    "S-FPL53": (1.44195, 1.43985, 1.43875, 1.43733, 1.44442, 94.95),
    "CaF2": (1.43703, 1.43494, 1.43385, 1.43246, 1.43949, 95.0),
}


@pytest.mark.parametrize("glass", CATALOGUE)
def test_indices_agree_with_the_catalogue_to_its_last_digit(glass):
    *indices, v_d = CATALOGUE[glass]
    computed = [refractive_index(glass, LINES_NM[line]) for line in ("F", "e", "d", "C", "g")]
    # 5 decimals are printed; their rounding is half a unit of the last.
    np.testing.assert_allclose(computed, indices, atol=0.6e-5)
    assert abbe_number(glass) == pytest.approx(v_d, abs=0.06)


@pytest.mark.parametrize(
    ("glass", "indices"),
    [
        # Schott data sheets: Borofloat 33 (2021), B270 (1993, four decimals).
        ("Borofloat 33", (1.47642, 1.47320, 1.47149, 1.46928, 1.48021)),
        ("B270", (1.5292, 1.5251, 1.5230, 1.5203, 1.5341)),
    ],
)
def test_technical_glasses_agree_to_1e_4(glass, indices):
    lines = [LINES_NM[line] for line in ("F", "e", "d", "C", "g")]
    np.testing.assert_allclose(refractive_index(glass, np.array(lines)), indices, atol=1e-4)


def test_a_tabled_glass_follows_its_neighbour_between_its_points():
    # B270 is a crown like N-BK7, so their difference runs nearly straight from line to line.
    lines, between = np.array([435.83, 486.13, 546.07, 656.27]), np.array([460.0, 510.0, 610.0])
    at_lines, at_between = (
        refractive_index("B270", at) - refractive_index("N-BK7", at) for at in (lines, between)
    )
    np.testing.assert_allclose(at_between, np.interp(between, lines, at_lines), atol=1.5e-4)


def test_an_unknown_glass_and_a_wavelength_off_the_table_are_refused():
    with pytest.raises(ValueError, match=r"'glass' must be one of .*N-BK7"):
        refractive_index("window pane", 550.0)
    with pytest.raises(ValueError, match=r"B270 covers 435\.83-656\.27 nm"):
        refractive_index("B270", 700.0)


# Shift of focus minus that at d in mm, f = 1000 mm at d: thin-lens theory (Smith, Modern Optical
# Engineering) with the catalogue's Sellmeier values, worked out apart from this code.
DOUBLETS = {
    ("N-BK7", "F2"): (4.5501, 2.2259, 0.4996, 0.2616, -0.0599, 0.0, 0.4996, 0.6632),
    ("N-BK7", "SF2"): (4.6893, 2.2809, 0.5066, 0.2636, -0.0624, 0.0, 0.5066, 0.6717),
    ("S-FPL53", "N-ZK7"): (0.2277, 0.0710, -0.0084, -0.0128, -0.0082, 0.0, -0.0084, -0.0161),
}
DOUBLET_NM = (404.6561, 435.8343, 486.1327, 500.684, 546.074, 587.5618, 656.2725, 672.4)


@pytest.mark.parametrize("pair", DOUBLETS)
def test_thin_doublets_focus_where_theory_puts_them(pair):
    shift = thin_doublet_shift(*pair, np.array(DOUBLET_NM), focal_length_mm=1000.0)
    np.testing.assert_allclose(shift, DOUBLETS[pair], atol=1e-4)  # the table's last digit


@pytest.mark.parametrize(
    ("pair", "number"),
    [(("N-BK7", "F2"), 2002), (("N-BK7", "SF2"), 1974), (("S-FPL53", "N-ZK7"), -119_600)],
)
def test_the_secondary_spectrum_of_three_pairs_is_right_to_0_2_percent(pair, number):
    # "About f/2000" for crown and flint is the classical figure (from memory); the numbers are
    # those of the shifts above, (F + C) / 2 - d. S-FPL53 + N-ZK7 bends the other way.
    assert 1 / secondary_spectrum(*pair) == pytest.approx(number, rel=2e-3)


def test_partial_dispersion_of_normal_glasses_falls_on_one_line():
    # Abbe's rule: P falls with V for ordinary glasses, and S-FPL53 departs from it (that is what
    # makes apochromats). Textbook rule, Smith, Modern Optical Engineering -- from memory.
    crown, flint = partial_dispersion("N-BK7"), partial_dispersion("F2")
    slope = (crown - flint) / (abbe_number("N-BK7") - abbe_number("F2"))
    on_line = crown + slope * (abbe_number("S-FPL53") - abbe_number("N-BK7"))
    assert abs(partial_dispersion("S-FPL53") - on_line) > 0.005
    on_line = crown + slope * (abbe_number("SF2") - abbe_number("N-BK7"))
    assert partial_dispersion("SF2") == pytest.approx(on_line, abs=0.001)
