import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.comparison.offsets.table import growth, growth_if_ignored
from starsize.curves import fit_curve, focus_curve
from starsize.estimate import Estimate


@pytest.fixture(scope="module")
def fit():
    position = np.arange(900.0, 1101.0, 25.0)
    radius = np.hypot(2.0, 0.05 * (position - 1004))
    return fit_curve(focus_curve(position, radius, 0.002 * radius), model="hyperbola")


def test_growth_is_that_of_the_filters_own_curve(fit):
    """A hyperbola: sqrt(1 + (slope x / floor)^2), by hand."""
    assert_allclose(growth(fit, 0.0), 1.0)
    assert_allclose(growth(fit, -30.0), np.hypot(1, 0.75), rtol=1e-3)


def test_what_ignoring_costs_carries_the_doubt_of_the_offset(fit):
    cost = growth_if_ignored(fit, Estimate(30.0, 2.0))
    assert_allclose(cost.value, 0.25, rtol=5e-3)
    # Slope of the curve there: 0.05^2 * 30 / 2.5 px per step over 2 px.
    assert_allclose(cost.sigma, 2 * 0.05**2 * 30 / 2.5 / 2, rtol=0.05)


def test_a_refused_fit_tells_no_growth():
    assert growth_if_ignored(None, Estimate(3.0, 1.0)) is None
