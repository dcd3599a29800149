"""Which way the offset of a filter is off, where the night tells it."""

import numpy as np
import pytest

from starsize.night.filters import _TRIED, _signed


def shares(low, out):
    """Weights of the errors tried: 2.4 zones to the one side, and to the other."""
    weight = np.zeros(_TRIED.size)
    weight[np.argmin(np.abs(_TRIED + 2.4))] = low
    weight[np.argmin(np.abs(_TRIED - 2.4))] = out
    return weight


@pytest.mark.parametrize("out", [0.5, 0.15, 0.03])
def test_a_side_that_is_only_likely_is_not_told(out):
    size, sigma, sided = _signed(shares(1 - out, out))
    assert not sided
    assert (size, sigma) == (pytest.approx(2.4), pytest.approx(0.4 / np.sqrt(12)))


def test_a_side_that_is_sure_is_told():
    error, sigma, sided = _signed(shares(0.999, 0.001))
    assert sided
    assert error == pytest.approx(-2.4, abs=3 * sigma)
