"""Least squares against certified and published fits; sources stand beside each check."""

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.curves import fit_hyperbola, least_squares_fit

NIST = Path(__file__).resolve().parents[2] / "testdata" / "nist"


def gauss1(x, b1, b2, b3, b4, b5, b6, b7, b8):
    peaks = b3 * np.exp(-((x - b4) ** 2) / b5**2) + b6 * np.exp(-((x - b7) ** 2) / b8**2)
    return b1 * np.exp(-b2 * x) + peaks


def thurber(x, b1, b2, b3, b4, b5, b6, b7):
    return (b1 + b2 * x + b3 * x**2 + b4 * x**3) / (1 + b5 * x + b6 * x**2 + b7 * x**3)


MODELS = {
    "Misra1a": lambda x, a, b: a * (1 - np.exp(-b * x)),
    "DanWood": lambda x, a, b: a * x**b,
    "Chwirut2": lambda x, a, b, c: np.exp(-a * x) / (b + c * x),
    "MGH09": lambda x, a, b, c, d: a * (x**2 + x * b) / (x**2 + x * c + d),
    "Rat43": lambda x, a, b, c, d: a / (1 + np.exp(b - c * x)) ** (1 / d),
    "Kirby2": lambda x, a, b, c, d, e: (a + b * x + c * x**2) / (1 + d * x + e * x**2),
    "Thurber": thurber,
    "Gauss1": gauss1,
    "Eckerle4": lambda x, a, b, c: a / b * np.exp(-0.5 * ((x - c) / b) ** 2),
}


def read_nist(name):
    """Data, second start, certified values and standard deviations, and the residual sum."""
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    rows = [line.split("=")[1].split() for line in lines if line.strip().startswith("b")]
    table = np.array([[float(v) for v in row] for row in rows if len(row) == 4])
    rss = next(float(x.split()[-1]) for x in lines if x.startswith("Residual Sum of Squares"))
    header = max(i for i, line in enumerate(lines) if line.startswith("Data:"))
    data = np.array([[float(v) for v in line.split()] for line in lines[header + 1 :] if line])
    return data[:, 1], data[:, 0], table, rss


@pytest.mark.parametrize("name", sorted(MODELS))
def test_nist_values_and_standard_deviations_are_reproduced(name):
    """NIST StRD nonlinear regression, certified to 11 digits; testdata/nist."""
    x, y, table, rss = read_nist(name)
    fit = least_squares_fit(MODELS[name], x, y, start=table[:, 1])
    assert_allclose(fit.value, table[:, 2], rtol=1e-6)
    assert_allclose(fit.sigma, table[:, 3], rtol=1e-5)
    assert_allclose(fit.rss, rss, rtol=1e-8)


def test_rat43_has_eleven_degrees_of_freedom_whatever_its_header_says():
    x, y, table, _ = read_nist("Rat43")
    fit = least_squares_fit(MODELS["Rat43"], x, y, start=table[:, 1])
    assert fit.dof == 15 - 4
    wrong = fit.sigma * np.sqrt(11 / 9)
    assert np.all(np.abs(wrong / table[:, 3] - 1) > 0.1)


# Half-flux radii of two real stars in eight equally spaced exposures; values by 50-digit
# arithmetic (mpmath), recorded in the project's references.
HYPERBOLAS = [
    (
        [3.541, 2.980, 2.333, 1.921, 1.872, 1.984, 2.439, 2.992],
        [3.9350239029, 1.8223871253, 2.3434170264],
        [0.033163937582, 0.026041034584, 0.062267138441],
        0.0094281815451,
    ),
    (
        [3.575, 2.928, 2.294, 1.900, 1.843, 1.951, 2.403, 3.038],
        [3.9106920965, 1.7776607655, 2.2464544605],
        [0.028960835643, 0.023904983241, 0.054140641046],
        0.0078243912277,
    ),
]


@pytest.mark.parametrize(("radius", "value", "sigma", "rss"), HYPERBOLAS)
def test_eight_point_hyperbolas_agree_with_multiple_precision(radius, value, sigma, rss):
    """References 4.2: b2 sqrt(1 + ((x - b1) / b3)^2); our slope is b2 / b3."""
    fit = fit_hyperbola(np.arange(8.0), np.array(radius))
    assert_allclose(fit.value[:2], value[:2], rtol=1e-8)
    assert_allclose(fit.sigma[:2], sigma[:2], rtol=1e-6)
    assert_allclose(fit.value[1] / fit.value[2], value[2], rtol=1e-8)
    assert_allclose(fit.rss, rss, rtol=1e-9)


@pytest.mark.parametrize(("radius", "value", "sigma", "rss"), HYPERBOLAS)
def test_the_third_parameter_in_its_published_form_agrees_too(radius, value, sigma, rss):
    def published(x, b1, b2, b3):
        return b2 * np.sqrt(1 + ((x - b1) / b3) ** 2)

    fit = least_squares_fit(published, np.arange(8.0), np.array(radius), start=[4, 2, 2])
    assert_allclose(fit.value, value, rtol=1e-8)
    assert_allclose(fit.sigma, sigma, rtol=1e-6)


STAGNANT = """-1.39 1.12; -1.39 1.12; -1.08 .99; -1.08 1.03; -.94 .92; -.80 .90; -.63 .81; -.63 .83;
-.25 .65; -.25 .67; -.12 .60; -.12 .59; .01 .51; .11 .44; .11 .43; .11 .43; .25 .33; .25 .30;
.34 .25; .34 .24; .44 .13; .59 -.01; .70 -.13; .70 -.14; .85 -.30; .85 -.33; .99 -.46; .99 -.43;
1.19 -.65"""


def test_the_bent_hyperbola_through_the_stagnant_band_agrees_with_multiple_precision():
    """Data of R. A. Cook in Bacon & Watts 1971, Biometrika 58, 525; values by 50-digit arithmetic
    (references 4.3)."""
    data = np.array([[float(v) for v in pair.split()] for pair in STAGNANT.split(";")])

    def bent(x, b1, b2, b3, b4, b5):
        return b1 + b2 * (x - b4) + b3 * np.sqrt((x - b4) ** 2 + b5**2)

    fit = least_squares_fit(bent, data[:, 0], data[:, 1], start=[0.6, -0.7, -0.4, 0.0, 0.3])
    value = [0.58597188893, -0.73508058446, -0.35908743284, 0.062696149625, 0.3101286008]
    sigma = [0.035889265847, 0.01292753689, 0.024966731165, 0.031013522397, 0.085169430686]
    assert_allclose(fit.value, value, rtol=1e-6)
    assert_allclose(fit.sigma, sigma, rtol=1e-5)
    assert_allclose(fit.rss, 0.0051509325223, rtol=1e-9)


@pytest.mark.parametrize(
    ("y", "u", "value", "sigma", "covariance", "chi2"),
    [
        (
            [3.3, 5.6, 7.1, 9.3, 10.7, 12.1],
            [0.5] * 6,
            [1.866667, 1.757143],
            [0.465475, 0.119523],
            -0.050,
            1.664762,
        ),
        (
            [3.2, 4.3, 7.6, 8.6, 11.7, 12.8],
            [0.5] * 3 + [1.0] * 3,
            [0.885232, 2.056962],
            [0.529708, 0.177892],
            -0.082278,
            4.130802,
        ),
    ],
)
def test_known_sigmas_are_taken_at_their_word(y, u, value, sigma, covariance, chi2):
    """ISO/TS 28037:2010, pp. 13 and 14: a weighted line with known uncertainties."""
    fit = least_squares_fit(
        lambda x, a, b: a + b * x, np.arange(1.0, 7.0), np.array(y), start=[0, 1], sigma=u
    )
    assert_allclose(fit.value, value, atol=1e-6)
    assert_allclose(fit.sigma, sigma, atol=1e-6)
    assert_allclose(fit.covariance[0, 1], covariance, atol=1e-6)
    assert_allclose(fit.rss, chi2, atol=1e-6)


def test_too_few_points_are_refused():
    with pytest.raises(ValueError, match="3 parameters need more than the 3 points"):
        fit_hyperbola(np.arange(3.0), np.array([2.0, 1.0, 2.0]))
