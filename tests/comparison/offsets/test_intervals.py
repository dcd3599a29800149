"""Intervals of a mixture against Student's t and against counting."""

import numpy as np
import pytest
from scipy.stats import t as student

from starsize.comparison import best_focus_data
from starsize.comparison.offsets.adjustment import Adjustment, Interval


def mixture(weight, mean, covariance) -> Adjustment:
    """One sweep of one filter, as the adjustment has it for each of some cases."""
    cases = len(weight)
    return Adjustment(
        data=best_focus_data([0.0]),
        terms=(),
        weight=weight,
        mean=mean,
        covariance=covariance,
        response=np.ones((cases, 1, 1)),
        reach=np.zeros((cases, 1, 0)),
        scatter=Interval(0.0, 0.0, 0.0, 0.0),
        scatter68_steps=(0.0, 0.0),
        dof=0,
        chi2=0.0,
    )


def scatter_mixture(dof, observed=1.0, points=400):
    """A mean whose variance follows an inverse chi-square: together a Student t."""
    sd = np.geomspace(0.02, 2000, points) * observed
    log_weight = -dof * np.log(sd) - dof * observed**2 / (2 * sd**2)
    weight = np.exp(log_weight - log_weight.max())
    return mixture(weight / weight.sum(), np.zeros((points, 1)), (sd**2)[:, None, None])


@pytest.mark.parametrize("dof", [2, 5, 20])
def test_a_mixture_over_an_unknown_variance_is_students_t(dof):
    # JCGM 100:2008, table G.2: factors of 68.27 %, 95 % and 99.73 %.
    interval = scatter_mixture(dof).intervals(np.eye(1))[0]
    assert interval.sigma == pytest.approx(student.ppf(0.5 + 0.682689 / 2, dof), rel=1e-3)
    assert interval.half95 == pytest.approx(student.ppf(0.975, dof), rel=1e-3)
    printed = {2: (1.32, 4.30, 19.21), 5: (1.11, 2.57, 5.51), 20: (1.03, 2.09, 3.42)}[dof]
    found = (interval.sigma, interval.half95, interval.half997)
    assert found == pytest.approx(printed, abs=0.006)


def test_draws_fill_the_stated_intervals():
    found = scatter_mixture(5)
    interval = found.intervals(np.eye(1))[0]
    draws = found.draws(np.eye(1), 40_000)[:, 0]
    # Binomial: 0.0023 and 0.0011.
    assert np.mean(np.abs(draws) <= interval.sigma) == pytest.approx(0.6827, abs=0.01)
    assert np.mean(np.abs(draws) <= interval.half95) == pytest.approx(0.95, abs=0.005)


def test_draws_repeat_themselves():
    found = scatter_mixture(5)
    np.testing.assert_array_equal(found.draws(np.eye(1), 50), found.draws(np.eye(1), 50))


def test_a_shift_between_the_components_widens_the_interval():
    two = mixture(np.array([0.5, 0.5]), np.array([[-3.0], [3.0]]), np.full((2, 1, 1), 0.01))
    interval = two.intervals(np.eye(1))[0]
    assert interval.value == 0
    assert 2.9 < interval.sigma < 3.1
    assert two.covariance_of(np.eye(1))[0, 0] == pytest.approx(interval.sigma**2)
