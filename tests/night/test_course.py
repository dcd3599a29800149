"""What is not known of the star: one number for the night."""

import numpy as np
from numpy.testing import assert_allclose

from starsize.night.course import _STARS, doubted
from starsize.night.model import DEFOCUS_ZONES
from starsize.night.table import StarTable

LACK = 0.007


def stars(per_sigma):
    """Shapes that less steep air changes by ``per_sigma`` for each sigma of its exponent."""
    shape = np.full((_STARS.size, DEFOCUS_ZONES.size, 5), 0.5)
    shape += per_sigma * _STARS[:, None, None]
    return StarTable(np.linspace(0.0, 1.0, 5), np.zeros_like(shape), shape)


def test_air_and_lack_are_added_as_independent_errors_once():
    # Independent standard uncertainties add by their squares: JCGM 100:2008 (GUM), 5.1.2, eq. (10).
    lack = np.full((DEFOCUS_ZONES.size, 5), LACK)
    for per_sigma in (-0.017, 0.003):
        found = doubted(stars(per_sigma), lack).log_shape[:, 40, 2]
        assert_allclose(found, 0.5 + np.sign(per_sigma) * _STARS * np.hypot(per_sigma, LACK))


def test_a_table_without_lack_is_left_as_it_is():
    plain = stars(-0.017)
    same = doubted(plain, np.zeros((DEFOCUS_ZONES.size, 5)))
    assert_allclose(same.log_shape, plain.log_shape, atol=1e-12)
