"""Where a tilted and dented curve is smallest, against its own fine scan."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.curves.catalogue import asymmetric_families
from starsize.curves.family import DENT, DROOP, TILT, curve_and_slopes, smallest

FREE = np.array([[0.0, 0.0, 0.0], [0.02, 0.1, 0.1], [-0.03, -0.2, 0.25], [0.05, 0.05, -0.3]])
TILTED = asymmetric_families(0.0)[0]


def parameters(freedom):
    """Centre 0.1, floor 2, slope 12."""
    found = np.zeros((*freedom.shape[:-1], 8))
    found[..., :3] = 0.1, np.log(2.0), np.log(12.0)
    found[..., DROOP : DENT + 1] = freedom
    return found


@pytest.mark.parametrize("freedom", FREE)
def test_the_smallest_radius_is_where_a_fine_scan_finds_it(freedom):
    x = np.linspace(-0.4, 0.6, 20001)
    scan = curve_and_slopes(x, parameters(freedom), TILTED)[0]
    best, floor, _ = smallest(parameters(freedom), TILTED)
    assert_allclose(best, x[scan.argmin()], atol=2e-4)
    assert_allclose(floor, scan.min(), rtol=1e-5)


@pytest.mark.parametrize("index", range(8))
def test_best_focus_moves_with_every_parameter_as_stated(index):
    at = parameters(FREE)
    change = 1e-5 * (np.arange(8) == index)
    up, down = smallest(at + change, TILTED)[0], smallest(at - change, TILTED)[0]
    assert_allclose(smallest(at, TILTED)[2][:, index], (up - down) / 2e-5, atol=1e-6)
    if index in (TILT, DENT):
        assert np.abs(up - down).max() > 1e-9, "these move it, so the test can fail"
