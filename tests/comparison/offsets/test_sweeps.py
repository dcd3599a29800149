"""From fits to the arrays of the adjustment: directions, nights, colour channels."""

import numpy as np
import pytest
from sweep_nights import NightOfSweeps, answered_fit, curve_set, refused_fit

from starsize.comparison.offsets.sweeps import data_of_curves, is_colour_channel


def test_refused_sweeps_are_left_out_and_the_covariance_is_that_of_the_answered():
    fits = [
        answered_fit(100.0, 1.0, id="L-1"),
        refused_fit("R"),
        answered_fit(110.0, 2.0, id="L-2"),
    ]
    data = data_of_curves(curve_set(fits))
    assert data.ids == ("L-1", "L-2")
    np.testing.assert_allclose(np.diag(data.covariance_steps2), [1.0, 4.0])


@pytest.mark.parametrize(("outward", "sign"), [("increasing", 1), ("decreasing", -1)])
def test_a_direction_is_the_sense_of_the_step_count(outward, sign):
    ways = ("outward", "inward", "mixed", "unknown")
    fits = [answered_fit(0.0, 1.0, id=f"L-{i}", approach=way) for i, way in enumerate(ways)]
    data = data_of_curves(curve_set(fits), outward=outward)
    np.testing.assert_allclose(data.direction, [sign * 0.5, -sign * 0.5, 0, 0])


def test_a_pause_of_six_hours_starts_another_night():
    times = [60000.8, 60000.9, 60001.1, 60001.8, np.nan, 60003.0]
    fits = [answered_fit(0.0, 1.0, id=f"L-{i}", time_mjd=t) for i, t in enumerate(times)]
    np.testing.assert_array_equal(data_of_curves(curve_set(fits)).night, [0, 0, 0, 1, 0, 2])


def test_channels_of_one_colour_sweep_belong_together_and_mono_sweeps_do_not():
    ids = [("colour-1-R", "R"), ("colour-1-G", "G"), ("colour-2-R", "R"), ("R-1", "R")]
    fits = [answered_fit(0.0, 1.0, id=i, filter=f) for i, f in ids]
    assert [is_colour_channel(f.curve) for f in fits] == [True, True, True, False]
    np.testing.assert_array_equal(data_of_curves(curve_set(fits)).exposure_set, [0, 0, 1, 2])


def test_one_missing_temperature_leaves_the_sweeps_temperature_unknown():
    warm = np.full(9, 10.0)
    warm[4] = np.nan
    fits = [answered_fit(0.0, 1.0, temperature_degC=warm)]
    assert np.isnan(data_of_curves(curve_set(fits)).temperature_degC[0])


def test_a_night_keeps_its_order_and_its_names():
    data = data_of_curves(NightOfSweeps().curves(np.random.default_rng(0)))
    assert data.names == ("L", "R", "G", "B", "Ha", "SII", "OIII")
    assert data.ids[-1] == "L-3"
    assert np.all(data.night == 0)
