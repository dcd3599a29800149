import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.simulate import Lens, refractive_index

LINES_NM = {
    "h": 404.6561,
    "g": 435.8343,
    "F'": 479.9914,
    "F": 486.1327,
    "OIII": 500.684,
    "e": 546.074,
    "d": 587.5618,
    "C'": 643.8469,
    "C": 656.2725,
    "r": 706.5188,
}

# Focus minus that of the d line in mm for f = 1000 mm, from thin-lens theory with the Schott and
# Ohara Sellmeier constants (theory: Smith, Modern Optical Engineering, achromatic doublets).
SHIFTS_MM = {
    ("N-BK7", "F2"): [4.5501, 2.2259, 0.6270, 0.4996, 0.2616, -0.0599, 0, 0.3835, 0.4996, 1.0504],
    ("N-BK7", "SF2"): [4.6893, 2.2809, 0.6369, 0.5066, 0.2636, -0.0624, 0, 0.3892, 0.5066, 1.0617],
    ("S-FPL53", "N-ZK7"): [
        0.2277, 0.0710, -0.0049, -0.0084, -0.0128, -0.0082, 0, -0.0040, -0.0084, -0.0405,
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("glass", "n_F", "n_d", "n_C", "n_g"),
    [
        ("N-BK7", 1.52238, 1.51680, 1.51432, 1.52668),
        ("F2", 1.63208, 1.62004, 1.61503, 1.64202),
        ("SF2", 1.66123, 1.64769, 1.64210, 1.67249),
        ("N-ZK7", 1.51423, 1.50847, 1.50592, 1.51869),
        ("S-FPL53", 1.44195, 1.43875, 1.43733, 1.44442),
    ],
)
def test_index_agrees_with_the_makers_tables(glass, n_F, n_d, n_C, n_g):
    # Schott and Ohara catalogue values, printed to five decimals.
    lines = (LINES_NM["F"], LINES_NM["d"], LINES_NM["C"], LINES_NM["g"])
    found = [refractive_index(glass, line) for line in lines]
    assert_allclose(found, [n_F, n_d, n_C, n_g], atol=1.05e-5)


@pytest.mark.parametrize("pair", list(SHIFTS_MM))
def test_colours_focus_where_thin_lens_theory_puts_them(pair):
    lens = Lens(focal_length_mm=1000.0, aperture_mm=100.0, glasses=pair)
    shifts = [1e-3 * lens.colour_shift_um(line) for line in LINES_NM.values()]
    # The table is printed to 0.0001 mm.
    assert_allclose(shifts, SHIFTS_MM[pair], rtol=2e-3, atol=6e-5)


def test_secondary_spectrum_of_the_classical_pair_is_a_two_thousandth():
    # (P1 - P2) / (V1 - V2) with the Schott constants of N-BK7 and F2: f / 2002.
    lens = Lens(focal_length_mm=1000.0, aperture_mm=100.0, glasses=("N-BK7", "F2"))
    assert_allclose(1e6 / lens.colour_shift_um(LINES_NM["F"]), 2002, rtol=1e-3)


def test_mirrors_have_no_colour():
    lens = Lens(focal_length_mm=1000.0, aperture_mm=200.0)
    assert [lens.colour_shift_um(line) for line in LINES_NM.values()] == [0.0] * len(LINES_NM)


def test_colour_share_scales_the_colour():
    whole = Lens(glasses=("N-BK7", "F2"))
    third = Lens(glasses=("N-BK7", "F2"), colour_share=1 / 3)
    assert_allclose(third.colour_shift_um(450), whole.colour_shift_um(450) / 3)


def test_field_shift_is_zero_on_axis_and_as_stated_at_corner_and_edges():
    lens, shape = Lens(curvature_um=60.0, tilt_x_um=40.0, tilt_y_um=-20.0), (300, 400)
    assert lens.field_shift_um(0, 0, shape) == 0
    corners = [lens.field_shift_um(u, v, shape) for u in (-1, 1) for v in (-1, 1)]
    assert_allclose(np.mean(corners), 60.0)
    right, left = (lens.field_shift_um(u, 0, shape) for u in (1, -1))
    assert_allclose(right - left, 2 * 40.0)
    top, bottom = (lens.field_shift_um(0, v, shape) for v in (1, -1))
    assert_allclose(top - bottom, -2 * 20.0)


def test_bowl_is_round_on_the_sensor():
    lens, (rows, columns) = Lens(curvature_um=60.0), (300, 400)
    along_x = lens.field_shift_um(100 / columns, 0, (rows, columns))
    assert_allclose(lens.field_shift_um(0, 100 / rows, (rows, columns)), along_x)


def test_unknown_glass_is_refused_by_name():
    with pytest.raises(ValueError, match="'glass' must be one of N-BK7"):
        refractive_index("window", 550.0)
