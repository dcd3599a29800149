"""The coefficient, when it is refused, what the tube predicts, and the rule to refocus by."""

from dataclasses import replace

import numpy as np
import pytest
from focuser_nights import temperature_pull
from sweep_nights import REFRACTOR, NightOfSweeps

from starsize import compare_sweeps
from starsize.comparison.compare import expected_coefficient, refocus_changes
from starsize.comparison.offsets.found import Scale
from starsize.estimate import Estimate
from starsize.setup import Setup, Telescope

COOLING = {"steps_per_degC": -6.0, "warm": 12.0, "cold": 8.0}


def temperature(seed=1, setup=REFRACTOR, **night):
    curves = NightOfSweeps(**night).curves(np.random.default_rng(seed))
    return compare_sweeps(curves, setup=setup).temperature


def test_the_coefficient_is_found_within_three_sigma_and_five_per_cent():
    rng = np.random.default_rng(2)
    trials = np.array([temperature_pull(rng) for _ in range(60)])
    assert np.mean(np.abs(trials[:, 0]) < 3) > 0.98
    assert np.mean(np.abs(trials[:, 0]) < 1) == pytest.approx(0.69, abs=0.13)
    assert np.median(trials[:, 1]) < 0.05


def test_it_is_refused_where_the_temperature_hardly_changed():
    found = temperature(order=("L",) * 12, warm=12.0, cold=11.6, steps_per_degC=-50.0)
    assert (found.steps_per_degC, found.source) == (None, "none")
    assert found.range_degC == pytest.approx(0.4)
    assert found.refocus_degC == {}


def test_what_cannot_be_told_from_nothing_is_not_found():
    found = [temperature(seed=s, warm=12.0, cold=8.0, steps_per_degC=0.0) for s in range(20)]
    assert sum(f.steps_per_degC is not None for f in found) <= 3


def test_the_rule_is_half_a_zone_over_the_coefficient():
    found = temperature(**COOLING)
    value = found.steps_per_degC
    # 2 lambda N^2 of OIII, 0.5007 um, f/7, steps of 4 um: 12.27 steps, half of it 6.13.
    half = 2 * 0.5007 * 49 / 4 / 2
    rule = found.refocus_degC["OIII"]
    assert rule.value == pytest.approx(half / abs(value.value))
    assert rule.sigma / rule.value == pytest.approx(value.sigma / abs(value.value))
    assert refocus_changes(None, {"L": 10.0}) == {}


def test_a_tube_of_aluminium_gives_what_observatories_publish():
    # KAIT's web page works out (22 - 9)e-6 x 62 in = 20.47 um per degC, 9e-6 its mirror's; MONET
    # found 25.4 um per degC over 4646 images, "what 1.1 m of aluminium gives".
    size = Scale(um_per_step=Estimate(1.0))
    for length_mm, published_um in ((62 * 25.4, 20.47), (1100.0, 25.41)):
        scope = Telescope(focal_length_mm=length_mm, tube_material="aluminium")
        found = expected_coefficient(Setup(telescope=scope), size)
        assert found.value < 0
        assert abs(abs(found.value) - published_um) < 2 * found.sigma


def test_the_tube_predicts_nothing_that_was_not_stated_and_turns_with_the_count():
    steel = replace(REFRACTOR, telescope=replace(REFRACTOR.telescope, tube_material="steel"))
    found = temperature(setup=steel, **COOLING).expected_steps_per_degC
    # 11.7e-6 x 700 mm / 4 um.
    assert found.value == pytest.approx(-2.05, abs=0.01)
    inward = replace(steel, focuser=replace(steel.focuser, outward="decreasing"))
    assert temperature(setup=inward).expected_steps_per_degC.value == pytest.approx(-found.value)
    assert temperature().expected_steps_per_degC is None
