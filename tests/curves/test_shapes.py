import numpy as np
from numpy.testing import assert_allclose

from starsize.curves import hyperbola, v_curve


def test_hyperbola_and_v_share_their_wings():
    position = np.array([-1e4, 1e4])
    wide = hyperbola(position, 5.0, 2.0, slope_px_per_step=0.1)
    assert_allclose(wide, v_curve(position, 5.0, slope_px_per_step=0.1), rtol=1e-5)
