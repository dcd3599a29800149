"""Slips are seen where repeats allow it, and good nights raise no alarm."""

from dataclasses import replace

import numpy as np
from sweep_nights import ONCE, REFRACTOR, NightOfSweeps, curve_set

from starsize.comparison.slips import slips_seen
from starsize.comparison.sweeps import data_of_curves
from starsize.comparison.terms import choose_terms

COOLING = {"steps_per_degC": -6.0, "warm": 12.0, "cold": 8.0}


def seen(fits):
    data = data_of_curves(curve_set(fits))
    terms = choose_terms(data, setup=REFRACTOR, um_per_step=4.0, scatter_steps=1.0).terms
    return slips_seen(data, terms, scatter_scale_steps=1.25)


def slipped(fits, which, steps):
    return [
        replace(f, best_steps=f.best_steps + steps) if i == which else f for i, f in enumerate(fits)
    ]


def test_good_nights_raise_no_alarm():
    rng = np.random.default_rng(3)
    for scatter in (0.3, 1.0, 5.0):
        for order in (ONCE * 3, ONCE + ("L",) * 4):
            night = NightOfSweeps(order=order, scatter=scatter, **COOLING)
            alarms = [len(seen(night.fits(rng))) for _ in range(8)]
            assert sum(alarms) == 0


def test_a_slip_of_thirty_steps_is_found_in_its_sweep():
    rng = np.random.default_rng(4)
    for which in (3, 9, 20):
        night = NightOfSweeps(order=ONCE * 3, **COOLING)
        (sentence,) = seen(slipped(night.fits(rng), which, 30.0))
        assert sentence.startswith(f"{ONCE[which % 7]}-{which // 7 + 1} stands +")
        assert "may have slipped" in sentence


def test_too_few_repeats_cannot_tell():
    assert seen(NightOfSweeps(**COOLING).fits(np.random.default_rng(0))) is None
    assert seen(NightOfSweeps(order=ONCE).fits(np.random.default_rng(0))) is None


def test_the_only_sweep_at_its_temperature_is_left_alone():
    fits = NightOfSweeps(order=ONCE * 2).fits(np.random.default_rng(0))
    cold = replace(fits[9].curve, temperature_degC=np.full(9, 2.0))
    fits[9] = replace(fits[9], curve=cold)
    assert seen(fits) == ()


def test_three_sweeps_more_than_filters_can_tell_as_the_report_advises():
    rng = np.random.default_rng(6)
    order = ("L", "R", "G", "B", "L", "Ha", "SII", "OIII", "L", "R")
    assert seen(NightOfSweeps(order=order, **COOLING).fits(rng)) is not None
    assert seen(NightOfSweeps(order=order[:-1], **COOLING).fits(rng)) is None
