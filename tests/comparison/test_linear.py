"""The solver against metrology's worked examples, and its gain against solving anew."""

import numpy as np
import pytest

from starsize.comparison.linear import (
    normal_errors,
    own_axes,
    pair_gains,
    solve,
    solve_scattered,
)

LINE = np.stack([np.ones(6), np.arange(1.0, 7.0)], axis=1)


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
    found = solve(np.array(y), LINE, np.diag(np.square(u)))
    np.testing.assert_allclose(found.mean, values, atol=1e-6)
    np.testing.assert_allclose(np.sqrt(np.diag(found.covariance)), sigmas, atol=1e-6)
    assert found.covariance[0, 1] == pytest.approx(covariance, abs=1e-6)
    assert found.chi2 == pytest.approx(chi2, abs=1e-6)


def test_what_is_known_beforehand_counts_like_one_more_observation():
    y, noise = np.array([1.0, 2.5, 2.0, 4.0, 5.5, 5.0]), np.diag(np.full(6, 0.3))
    prior = solve(y, LINE, noise, prior_mean=[0.0, 0.8], prior_sigma=[np.inf, 0.1])
    more = np.vstack([LINE, [0.0, 1.0]])
    observed = solve(np.append(y, 0.8), more, np.diag([0.3] * 6 + [0.01]))
    np.testing.assert_allclose(prior.mean, observed.mean)
    np.testing.assert_allclose(prior.covariance, observed.covariance)
    assert prior.log_likelihood == pytest.approx(observed.log_likelihood)


#: Five sweeps of two runs: correlated fits, and two channels of the same exposures.
NOISE = np.diag([1.0, 2.0, 3.0, 0.5, 0.7, 1.5])
NOISE[0, 1] = NOISE[1, 0] = 0.9
TOGETHER = np.eye(6)
TOGETHER[3, 4] = TOGETHER[4, 3] = 1.0
READINGS = np.array([0.3, -1.2, 2.5, 0.1, 4.0, 1.1])
PRIOR = {"prior_mean": np.array([0.0, 0.8]), "prior_sigma": np.array([np.inf, 0.1])}


def scattered(tau):
    return solve_scattered(READINGS, LINE, own_axes(NOISE, TOGETHER), np.array(tau), **PRIOR)


def test_one_set_of_axes_serves_every_scatter():
    tau = np.array([0.0, 0.3, 20.0])
    found = scattered(tau)
    anew = solve(READINGS, LINE, NOISE + tau[:, None, None] ** 2 * TOGETHER, **PRIOR)
    for name in ("mean", "covariance", "log_likelihood", "chi2"):
        np.testing.assert_allclose(getattr(found, name), getattr(anew, name), rtol=1e-10)
    np.testing.assert_allclose(found.response(np.arange(3)), anew.response, rtol=1e-9, atol=1e-12)


def test_perfectly_correlated_fits_are_no_reason_to_give_up():
    axes = own_axes(np.ones((3, 3)), np.eye(3))
    found = solve_scattered(
        np.array([1.0, 2.0, 6.0]), np.ones((3, 1)), axes, np.array([1.0]),
        prior_mean=np.zeros(1), prior_sigma=np.full(1, np.inf),
    )  # fmt: skip
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
        anew = solve(
            READINGS,
            np.hstack([LINE, columns[:, chosen]]),
            NOISE + 0.25 * TOGETHER,
            prior_mean=np.r_[PRIOR["prior_mean"], np.zeros(len(chosen))],
            prior_sigma=np.r_[PRIOR["prior_sigma"], np.full(len(chosen), 3.0)],
        )
        gain = anew.log_likelihood - plain.log_likelihood[0]
        assert found[chosen[0], chosen[-1]] == pytest.approx(gain, rel=1e-9)


def test_draws_have_the_covariance_even_a_singular_one():
    covariance = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 4.0]])
    draws = normal_errors(covariance, 40_000, seed=1)
    np.testing.assert_allclose(np.cov(draws.T), covariance, atol=0.06)
