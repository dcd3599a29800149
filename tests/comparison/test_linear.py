"""The solver against metrology's worked examples, and its gain against solving anew."""

import numpy as np
import pytest

from starsize.comparison.linear import gains, normal_errors, solve

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


def test_the_gain_of_columns_is_that_of_solving_with_them():
    rng = np.random.default_rng(0)
    y, noise = rng.standard_normal(6), np.stack([np.eye(6), 2 * np.eye(6)])
    columns = rng.standard_normal((6, 4))
    plain = solve(y, LINE, noise)
    weight = columns.T @ plain.unexplained @ columns
    toward = columns.T @ plain.unexplained @ y
    for chosen in ([0], [1, 3]):
        design = np.hstack([LINE, columns[:, chosen]])
        sigma = [np.inf, np.inf] + [3.0] * len(chosen)
        anew = solve(y, design, noise, prior_sigma=np.array(sigma))
        found = gains(weight, toward, np.array([chosen]), size=3.0)[:, 0]
        np.testing.assert_allclose(found, anew.log_likelihood - plain.log_likelihood)


def test_draws_have_the_covariance_even_a_singular_one():
    covariance = np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 4.0]])
    draws = normal_errors(covariance, 40_000, seed=1)
    np.testing.assert_allclose(np.cov(draws.T), covariance, atol=0.06)
