"""The solver against metrology's worked examples, and its gain against solving anew."""

import numpy as np
import pytest

from starsize.comparison.linear import System, normal_errors, own_axes
from starsize.comparison.offsets.changes import pair_gains

LINE = np.stack([np.ones(6), np.arange(1.0, 7.0)], axis=1)
NOTHING = {"prior_mean": np.zeros(2), "prior_sigma": np.full(2, np.inf)}


@pytest.mark.parametrize(
    ("y", "u", "values", "sigmas", "covariance", "chi2"),
    [
        # ISO/TS 28037:2010, worked examples of the weighted straight line, pages 13 and 14.
        (
            [3.3, 5.6, 7.1, 9.3, 10.7, 12.1], [0.5] * 6,
            (1.866667, 1.757143), (0.465475, 0.119523), -0.050, 1.664762,
        ),
        (
            [3.2, 4.3, 7.6, 8.6, 11.7, 12.8], [0.5] * 3 + [1.0] * 3,
            (0.885232, 2.056962), (0.529708, 0.177892), -0.082278, 4.130802,
        ),
    ],
)  # fmt: skip
def test_straight_lines_with_known_uncertainty(y, u, values, sigmas, covariance, chi2):
    axes = own_axes(np.diag(np.square(u)), np.eye(6))
    found = System(y=np.array(y), design=LINE, axes=axes, **NOTHING).solve(0.0)
    np.testing.assert_allclose(found.mean[0], values, atol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance[0])), sigmas, atol=1e-6)
    assert found.covariance[0, 0, 1] == pytest.approx(covariance, abs=1e-6)
    assert found.chi2[0] == pytest.approx(chi2, abs=1e-6)


def solve(y, design, covariance):
    """Plain solution for what is known beforehand as observations: mean, spread, ln p, response."""
    weight = np.linalg.inv(covariance)
    posterior = np.linalg.inv(design.T @ weight @ design)
    response = posterior @ design.T @ weight
    left = y - design @ response @ y
    logs = np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(posterior)[1]
    return response @ y, posterior, -0.5 * (logs + left @ weight @ left), response


#: Five sweeps of two runs: correlated fits, and two channels of the same exposures.
NOISE = np.diag([1.0, 2.0, 3.0, 0.5, 0.7, 1.5])
NOISE[0, 1] = NOISE[1, 0] = 0.9
TOGETHER = np.eye(6)
TOGETHER[3, 4] = TOGETHER[4, 3] = 1.0
READINGS = np.array([0.3, -1.2, 2.5, 0.1, 4.0, 1.1])
PRIOR = {"prior_mean": np.array([0.0, 0.8]), "prior_sigma": np.array([np.inf, 0.1])}


def scattered(tau):
    axes = own_axes(NOISE, TOGETHER)
    return System(y=READINGS, design=LINE, axes=axes, **PRIOR).solve(np.array(tau))


def solved(tau, columns=None, sigma=()):
    """READINGS solved anew, the prior of the slope (and of more columns) as observations."""
    design = LINE if columns is None else np.hstack([LINE, columns])
    known = np.eye(design.shape[1])[1:]
    noise = np.zeros((6 + len(known),) * 2)
    noise[:6, :6] = NOISE + tau**2 * TOGETHER
    noise[6:, 6:] = np.diag(np.square([0.1, *sigma]))
    y = np.r_[READINGS, 0.8, np.zeros(len(sigma))]
    return solve(y, np.vstack([design, known]), noise)


def test_one_set_of_axes_serves_every_scatter():
    tau = np.array([0.0, 0.3, 20.0])
    found = scattered(tau)
    for k, one in enumerate(tau):
        mean, covariance, log_likelihood, response = solved(one)
        np.testing.assert_allclose(found.mean[k], mean, rtol=1e-10)
        np.testing.assert_allclose(found.covariance[k], covariance, rtol=1e-10)
        assert found.log_likelihood[k] == pytest.approx(log_likelihood, rel=1e-10)
        np.testing.assert_allclose(
            found.response(np.array([k]))[0], response[:, :6], rtol=1e-9, atol=1e-12
        )


def test_perfectly_correlated_fits_are_no_reason_to_give_up():
    axes = own_axes(np.ones((3, 3)), np.eye(3))
    readings, nothing = np.array([1.0, 2.0, 6.0]), {k: v[:1] for k, v in NOTHING.items()}
    found = System(y=readings, design=np.ones((3, 1)), axes=axes, **nothing).solve(1.0)
    # A common error of 1 that no repeat lessens, and one of 1 / sqrt(3) that three repeats leave.
    np.testing.assert_allclose(found.mean, [[3.0]])
    np.testing.assert_allclose(found.covariance, [[[1 + 1 / 3]]])


@pytest.mark.parametrize("few", [5000, 0], ids=["few", "many"])
def test_the_gain_of_columns_is_that_of_solving_with_them(monkeypatch, few):
    monkeypatch.setattr("starsize.comparison.linear._FEW_NUMBERS", few)
    columns = np.random.default_rng(0).standard_normal((6, 4))
    left = READINGS - LINE @ PRIOR["prior_mean"]
    plain = scattered([0.5])
    (seen,) = plain.unexplained(np.column_stack([columns, left]))
    found = pair_gains(seen[:-1, :-1], seen[:-1, -1], size=3.0)
    for chosen in ([0], [2], [1, 3]):
        more = solved(0.5, columns[:, chosen], [3.0] * len(chosen))
        gain = more[2] - plain.log_likelihood[0]
        assert found[chosen[0], chosen[-1]] == pytest.approx(gain, rel=1e-9)


def test_draws_have_the_covariance_even_a_singular_one():
    covariance = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 4.0]])
    draws = normal_errors(covariance, 40_000, seed=1)
    np.testing.assert_allclose(np.cov(draws.T), covariance, atol=0.06)
