"""Which unknowns are fitted, decided by the design alone."""

from dataclasses import replace

import numpy as np
import pytest
from sweep_nights import ONCE, REFRACTOR, NightOfSweeps, answered_fit, curve_set

from starsize.comparison.compare import expected_coefficient
from starsize.comparison.offsets.found import Scale
from starsize.comparison.offsets.sweeps import data_of_curves
from starsize.comparison.offsets.terms import choose_terms, coefficient_bound
from starsize.estimate import Estimate
from starsize.setup import Focuser, Setup, Telescope

COOLING = {"steps_per_degC": -6.0, "warm": 12.0, "cold": 8.0}


def chosen(night, setup=REFRACTOR, outward="increasing"):
    data = data_of_curves(night.curves(np.random.default_rng(0)), outward=outward)
    return choose_terms(data, setup)


def sources(terms):
    return {term.name: term.source for term in terms}


def stated(**focuser):
    return replace(REFRACTOR, focuser=Focuser(um_per_step=4.0, **focuser))


def test_repeats_let_the_frames_give_the_temperature_coefficient():
    (term,) = chosen(NightOfSweeps(**COOLING))
    assert (term.name, term.source) == ("temperature", "frames")
    assert np.isinf(term.sigma)


def test_without_repeats_the_setups_coefficient_is_used_with_its_uncertainty():
    (term,) = chosen(
        NightOfSweeps(order=ONCE, **COOLING),
        stated(steps_per_degC=-6.0, steps_per_degC_sigma=0.5),
    )
    assert (term.name, term.source) == ("temperature", "setup")
    assert (term.prior_value, term.sigma) == (-6.0, 0.5)


def test_a_coefficient_stated_without_uncertainty_is_trusted_to_a_fifth():
    (term,) = chosen(NightOfSweeps(order=ONCE, **COOLING), stated(steps_per_degC=-6.0))
    assert term.sigma == pytest.approx(1.2)


def test_without_repeats_and_setup_the_drift_is_bounded():
    (term,) = chosen(NightOfSweeps(order=ONCE, **COOLING))
    assert (term.name, term.source) == ("temperature", "bound")
    # 2.5 x 23.6e-6 x 700 mm: 41.3 um per degC, 10.3 steps of 4 um.
    assert term.bound == pytest.approx(10.3, abs=0.05)


def test_the_bound_holds_published_coefficients_of_whole_telescopes():
    # KAIT, 20.47 um per degC: (22 - 9)e-6 x 62 in (its web page). MONET, 25.41 um per degC if all
    # thermometers move together, what 1.1 m of aluminium gives (its web page). Focal lengths of
    # the tubes that move: at least those lengths.
    for length_mm, um_per_degC in ((62 * 25.4, 20.47), (1100.0, 25.41)):
        scope = Telescope(focal_length_mm=length_mm)
        setup = Setup(telescope=scope, focuser=Focuser(um_per_step=1.0))
        assert um_per_degC < coefficient_bound(setup) < 6 * um_per_degC
    assert coefficient_bound(Setup(focuser=Focuser(um_per_step=4.0))) == pytest.approx(10.0)
    assert coefficient_bound(Setup()) == pytest.approx(10.0)


def test_aluminium_explains_the_published_worked_example():
    # MONET: 25.41 um per degC, what 1.1 m of aluminium gives (its web page).
    tube = Setup(telescope=Telescope(focal_length_mm=1100.0, tube_material="aluminium"))
    found = expected_coefficient(tube, Scale(um_per_step=Estimate(1.0)))
    assert found.value == pytest.approx(-25.41, rel=0.03)
    assert abs(found.value + 25.41) < found.sigma < 12


def test_no_thermometer_but_a_clock_gives_a_drift_in_time():
    assert sources(chosen(NightOfSweeps(thermometer=False, **COOLING))) == {"drift": "frames"}
    once = chosen(NightOfSweeps(order=ONCE, thermometer=False, **COOLING))
    assert sources(once) == {"drift": "bound"}
    assert sources(chosen(NightOfSweeps(thermometer=False, clock=False, **COOLING))) == {}


def test_both_directions_of_the_same_filters_give_the_backlash():
    both = ("outward",) * 7 + ("inward",) * 7
    choice = chosen(NightOfSweeps(order=ONCE * 2, approach=both, backlash=40.0))
    assert sources(choice)["direction"] == "frames"
    assert sources(chosen(NightOfSweeps(approach="inward"))) == {}


def test_a_direction_that_goes_with_the_filter_is_bounded_or_stated():
    ways = ("outward", "inward", "outward", "inward", "outward", "inward", "outward")
    night = NightOfSweeps(order=ONCE, approach=ways)
    assert sources(chosen(night)) == {"direction": "bound"}
    assert sources(chosen(night, stated(backlash_steps=30.0))) == {"direction": "setup"}


def test_nights_that_share_filters_find_their_own_zero():
    rng = np.random.default_rng(0)
    first = NightOfSweeps().fits(rng)
    second = NightOfSweeps(first_mjd=60001.8).fits(rng)
    data = data_of_curves(curve_set(first + second))
    choice = choose_terms(data, REFRACTOR)
    assert sources(choice)["night 2"] == "frames"


def test_nights_without_a_common_filter_are_bounded():
    fits = [
        answered_fit(100.0, 1.0, id="L-1", filter="L", time_mjd=60000.9),
        answered_fit(120.0, 1.0, id="R-1", filter="R", time_mjd=60001.9),
    ]
    data = data_of_curves(curve_set(fits))
    choice = choose_terms(data, REFRACTOR)
    assert sources(choice)["night 2"] == "bound"
