"""Straight lines against published worked examples, to their last printed digit."""

import numpy as np
import pytest

from starsize.comparison import fit_line

# Pearson's data with York's weights (York 1966, Can. J. Phys. 44, 1079; York et al. 2004,
# Am. J. Phys. 72, 367).
PEARSON = np.array(
    [
        (0.0, 5.9, 1000, 1),
        (0.9, 5.4, 1000, 1.8),
        (1.8, 4.4, 500, 4),
        (2.6, 4.6, 800, 8),
        (3.3, 3.5, 200, 20),
        (4.4, 3.7, 80, 20),
        (5.2, 2.8, 60, 70),
        (6.1, 2.8, 20, 70),
        (6.5, 2.4, 1.8, 100),
        (7.4, 1.5, 1, 500),
    ]
)


def pearson_york(**options):
    x, y, wx, wy = PEARSON.T
    return fit_line(x, y, x_sigma=wx**-0.5, y_sigma=wy**-0.5, **options)


def test_pearsons_data_with_yorks_weights():
    line = pearson_york()
    assert line.intercept == pytest.approx(5.479910224, abs=1e-9)
    assert line.slope == pytest.approx(-0.480533407, abs=1e-9)
    sigma = np.sqrt(np.diag(line.covariance))
    np.testing.assert_allclose(sigma, [0.294970735, 0.057985009], atol=1e-9)
    assert line.chi2 == pytest.approx(11.866353194, abs=1e-8)
    assert line.chi2 / line.dof == pytest.approx(1.483294, abs=1e-6)


def test_a_line_with_errors_in_both_axes_does_not_care_which_is_which():
    x, y, wx, wy = PEARSON.T
    turned = fit_line(y, x, x_sigma=wy**-0.5, y_sigma=wx**-0.5)
    assert turned.slope == pytest.approx(1 / pearson_york().slope, rel=1e-9)


@pytest.mark.parametrize(
    ("y", "u", "published"),
    [
        # ISO/TS 28037:2010, pages 13 and 14: a, u(a), b, u(b), cov(a, b), chi-square.
        (
            [3.3, 5.6, 7.1, 9.3, 10.7, 12.1],
            0.5,
            (1.866667, 0.465475, 1.757143, 0.119523, -0.050, 1.664762),
        ),
        (
            [3.2, 4.3, 7.6, 8.6, 11.7, 12.8],
            [0.5, 0.5, 0.5, 1, 1, 1],
            (0.885232, 0.529708, 2.056962, 0.177892, -0.082278, 4.130802),
        ),
    ],
)
def test_known_uncertainties_are_taken_at_their_word(y, u, published):
    line = fit_line([1, 2, 3, 4, 5, 6], y, y_sigma=u)
    u_a, u_b = np.sqrt(np.diag(line.covariance))
    found = (line.intercept, u_a, line.slope, u_b, line.covariance[0, 1], line.chi2)
    np.testing.assert_allclose(found, published, atol=6e-7)


def test_the_thermometer_calibration_of_the_gum():
    # JCGM 100:2008, H.3: y1 -0.1712 (0.0029), y2 0.00218 (0.00067), r -0.930, s 0.0035 and
    # b(30 degC) -0.1494 (0.0041).
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160]
    line = fit_line(t, b, about=20.0)
    assert round(line.intercept, 4) == -0.1712
    assert round(line.slope, 5) == 0.00218
    u1, u2 = np.sqrt(np.diag(line.covariance))
    assert (round(u1, 4), round(u2, 5)) == (0.0029, 0.00067)
    assert round(line.covariance[0, 1] / (u1 * u2), 3) == -0.930
    assert round(line.scatter, 4) == 0.0035
    value, sigma = line.at(30.0)
    assert (round(value, 4), round(sigma, 4)) == (-0.1494, 0.0041)
    assert line.dof == 9


def test_a_noisy_thermometer_flattens_the_line_unless_it_is_stated():
    rng = np.random.default_rng(11)
    warm = np.linspace(5, 9, 40)
    plain, stated = [], []
    for _ in range(200):
        seen = warm + 0.6 * rng.standard_normal(40)
        focus = -6 * warm + rng.standard_normal(40)
        plain.append(fit_line(seen, focus).slope)
        stated.append(fit_line(seen, focus, x_sigma=0.6, y_sigma=1.0).slope)
    # Attenuation by var / (var + noise var), a classical result: 1.40 / (1.40 + 0.36).
    assert np.mean(plain) == pytest.approx(-6 * 1.40 / 1.76, abs=0.1)
    assert np.mean(stated) == pytest.approx(-6, abs=0.1)


def test_bad_points_are_refused():
    with pytest.raises(ValueError, match="at least 3 points at different x"):
        fit_line([1, 2], [1, 2])
    with pytest.raises(ValueError, match="at different x"):
        fit_line([1, 1, 1], [1, 2, 3])
    with pytest.raises(ValueError, match="'x_sigma' needs 'y_sigma'"):
        fit_line([1, 2, 3], [1, 2, 3], x_sigma=0.1)
