import numpy as np
import pytest
from astropy.modeling.fitting import LevMarLSQFitter
from numpy.testing import assert_allclose

from starsize.curves import blurred_disc, fit_hyperbola
from starsize.curves.astropy_models import BlurredDiscModel, HyperbolaModel, blurred_disc_model

POSITION = np.linspace(900, 1100, 11)


@pytest.mark.parametrize("kind", [HyperbolaModel, BlurredDiscModel])
def test_derivatives_are_those_of_the_model(kind):
    start = np.array([1010.0, 2.0, 0.05])
    exact = kind.fit_deriv(POSITION, *start)
    for i, column in enumerate(exact):
        step = 1e-6 * start[i] * (np.arange(3) == i)
        up, down = (
            kind.evaluate(POSITION, *(start + step)),
            kind.evaluate(POSITION, *(start - step)),
        )
        assert_allclose(column, (up - down) / (2 * step[i]), rtol=1e-5, atol=1e-7)


def test_astropys_own_fitter_finds_what_ours_finds():
    radius = np.hypot(2.0, 0.05 * (POSITION - 1010)) + 0.05 * np.cos(POSITION)
    ours = fit_hyperbola(POSITION, radius).value
    theirs = LevMarLSQFitter()(
        HyperbolaModel(best_steps=1000, floor_px=1.5, slope_px_per_step=0.04), POSITION, radius
    )
    assert_allclose(theirs.parameters, ours, rtol=1e-5)


def test_a_model_for_an_obstructed_telescope_has_its_shape():
    model = blurred_disc_model(obstruction=0.35)(
        best_steps=1000, floor_px=2.0, slope_px_per_step=0.05
    )
    want = blurred_disc(POSITION, 1000, 2.0, slope_px_per_step=0.05, obstruction=0.35)
    assert_allclose(model(POSITION), want)
