"""The smooth curve against published lenses, and the secondary spectrum it gives."""

import numpy as np
import pytest

from starsize.comparison import fit_smooth_curve
from starsize.comparison.colour.explanations import curve_basis, secondary_shift
from starsize.simulate.glasses import secondary_spectrum, thin_doublet_shift

# Back focus minus that at d in mm, prescriptions of M. Laikin, Lens Design, 4th ed. 2007, p. 44
# and 45, traced again by two codes that agree to 1e-6: f/8 of 48.01 mm, f/6 of 20.01 mm.
DOUBLET_NM = np.array(
    [587.5618, 435.8343, 479.9914, 486.1327, 500.684, 546.074, 643.8469, 656.2725, 656.281, 672.4]
)
DOUBLET = np.array(
    [0, 0.065829, 0.005779, 0.001583, -0.005614, -0.010275, 0.025840, 0.032744, 0.032748, 0.042187]
)
CEMENTED_NM = np.array([587.5618, 486.1327, 546.074, 656.2725, 435.8343, 706.5188])
CEMENTED = np.array([0, -0.005125, -0.005901, 0.014269, 0.016863, 0.026228])


@pytest.mark.parametrize(
    ("wavelength", "shift"),
    [(DOUBLET_NM, DOUBLET), (CEMENTED_NM, CEMENTED)],
    ids=["doublet", "cemented"],
)
def test_three_terms_follow_published_achromats(wavelength, shift):
    curve = fit_smooth_curve(wavelength, shift, np.eye(len(shift)), terms=3)
    # 3 % of the range is what the explanations allow for the form of the curve.
    assert np.max(np.abs(curve.at(wavelength) - shift)) < 0.03 * np.ptp(shift)


@pytest.mark.parametrize("pair", [("N-BK7", "F2"), ("N-BK7", "SF2")])
def test_the_secondary_spectrum_comes_back_from_lines(pair):
    # F, C and d, f = 1000 mm: f/2002 and f/1974 by thin-lens theory.
    lines = np.array([486.1327, 656.2725, 587.5618])
    shift = thin_doublet_shift(*pair, lines, focal_length_mm=1000.0)
    curve = fit_smooth_curve(lines, shift, 1e-6 * np.eye(3), terms=3)
    value, _ = secondary_shift(curve)
    assert value / 1000 == pytest.approx(secondary_spectrum(*pair), rel=2e-3)


def test_the_secondary_spectrum_comes_back_from_seven_filters():
    at = np.array([450.0, 500.7, 535.0, 640.0, 656.28, 672.4])
    shift = thin_doublet_shift("N-BK7", "F2", at, focal_length_mm=1000.0)
    value, _ = secondary_shift(fit_smooth_curve(at, shift, 1e-6 * np.eye(6), terms=3))
    assert value == pytest.approx(1000 / 2002, rel=0.02)


def test_the_band_of_uncertainty_is_that_of_least_squares():
    # A straight fit of one term is the weighted mean; its sigma is 1 / sqrt(sum of weights).
    curve = fit_smooth_curve(
        np.array([450.0, 550.0, 650.0]), [1.0, 2.0, 4.0], np.diag([1.0, 4.0, 4.0]), terms=1
    )
    assert curve.at(500.0)[0] == pytest.approx((1 + 0.5 + 1) / 1.5)
    assert curve.sigma(500.0)[0] == pytest.approx(1 / np.sqrt(1.5))


def test_the_curve_passes_through_as_many_points_as_it_has_terms():
    at, shift = np.array([450.0, 535.0, 640.0]), np.array([30.0, -2.0, 11.0])
    curve = fit_smooth_curve(at, shift, np.eye(3), terms=3)
    np.testing.assert_allclose(curve.at(at), shift, atol=1e-8)
    np.testing.assert_allclose(curve_basis(550.0, 3), [[1, 1, 1]])


def test_more_terms_than_wavelengths_are_refused():
    with pytest.raises(ValueError, match="'terms' must not exceed the number of distinct wave"):
        fit_smooth_curve(np.array([500.0, 500.0]), [1.0, 2.0], np.eye(2), terms=2)
