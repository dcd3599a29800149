"""Offsets to come: closed forms of the adjustment (JCGM 100:2008, 5.1.2)."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.comparison import best_focus_data
from starsize.plan.forecast import expected_offsets, slip_would_show
from starsize.setup import Focuser, Setup, Telescope

SETUP = Setup(
    telescope=Telescope(focal_length_mm=480.0, aperture_mm=87.0),
    focuser=Focuser(um_per_step=4.0, repeatability_steps=1.0),
)


def night(order, *, sigma=0.0, hours=0.0, positions=None):
    n = len(order)
    time = np.linspace(0, hours, n)
    return best_focus_data(
        np.zeros(n) if positions is None else positions,
        np.full(n, sigma**2),
        filters=order,
        temperature_degC=10 - time,
        time_mjd=60000 + time / 24 + np.arange(n) * 1e-6,
        approach="outward",
    )


def expected(data, setup=SETUP):
    return expected_offsets(data, setup, reference="L")


def test_one_sweep_against_one_scatters_by_root_two():
    told = expected(night(("L", "R"))).offsets["R"]
    assert_allclose(told.sigma, np.sqrt(2), rtol=0.05)
    assert_allclose([told.frames, told.temperature], 0, atol=1e-3)


def test_frames_and_focuser_add_in_squares():
    told = expected(night(("L", "R", "L"), sigma=0.5)).offsets["R"]
    assert_allclose(told.frames, 0.5 * np.sqrt(1.5), rtol=0.05)
    assert_allclose(told.focuser, np.sqrt(1.5), rtol=0.05)
    assert_allclose(told.sigma**2, told.frames**2 + told.focuser**2 + told.temperature**2)


def test_the_reference_has_no_uncertainty():
    assert expected(night(("L", "R"))).offsets["L"].sigma == 0


def test_cooling_costs_where_it_cannot_be_told_from_the_filter():
    once = expected(night(("L", "R"), sigma=0.3, hours=2)).offsets["R"]
    about = expected(night(("L", "R", "L"), sigma=0.3, hours=2)).offsets["R"]
    assert once.temperature > 5
    assert about.temperature < 0.1


def test_positions_do_not_matter_before_they_are_measured():
    quiet = expected(night(("L", "R", "L", "R")))
    wild = expected(night(("L", "R", "L", "R"), positions=[0.0, 50.0, 30.0, -20.0]))
    assert_allclose(
        [one.sigma for one in wild.offsets.values()],
        [one.sigma for one in quiet.offsets.values()],
    )


@pytest.mark.parametrize(("hours", "told"), [(0.2, False), (4.0, True)])
def test_the_tube_is_told_by_a_long_night_alone(hours, told):
    data = night(("L", "R", "L", "R", "L"), sigma=0.3, hours=hours)
    assert expected(data).temperature is told


def test_a_slip_shows_between_repeats_only():
    assert slip_would_show(night(("L", "R", "L", "R", "L"), sigma=0.3, hours=0.3), SETUP)
    assert not slip_would_show(night(("L", "R"), sigma=0.3, hours=0.3), SETUP)
