"""Offsets unbiased and intervals true: small seeded twins of scripts/offset_coverage.py."""

from dataclasses import replace

import numpy as np
import pytest
from sweep_nights import OFFSETS, ONCE, REFRACTOR, NightOfSweeps

from starsize.comparison.offsets.adjustment import adjust
from starsize.comparison.offsets.sweeps import data_of_curves
from starsize.comparison.offsets.terms import choose_terms, expected_scatter
from starsize.setup import Focuser

COOLING = {"steps_per_degC": -6.0, "warm": 12.0, "cold": 8.0}
STATED = replace(
    REFRACTOR, focuser=Focuser(um_per_step=4.0, steps_per_degC=-6.0, steps_per_degC_sigma=0.5)
)


def errors_of(night, *, setup=REFRACTOR, nights=300, seed=1, drawn=True):
    """(nights, 6) arrays: error, sigma and 95 % half-width of every offset but L's own."""
    rng = np.random.default_rng(seed)
    usual = expected_scatter(REFRACTOR).median_steps
    rows = []
    for _ in range(nights):
        tonight = replace(night, scatter=usual * np.exp(rng.standard_normal())) if drawn else night
        data = data_of_curves(tonight.curves(rng))
        terms = choose_terms(data, setup)
        offsets = adjust(data, terms, scatter=usual).offsets("L").items()
        rows.append([(o.value - OFFSETS[f], o.sigma, o.half95) for f, o in offsets if f != "L"])
    return np.moveaxis(np.array(rows), 2, 0)


# Binomial scatter of 300 nights with six offsets that hang together through L: about 0.02.
@pytest.mark.parametrize(
    ("order", "circumstances", "setup"),
    [
        (("L", "R", "G", "L", "B", "Ha", "SII", "OIII", "L"), {}, REFRACTOR),
        (("L", "R", "G", "L", "B", "Ha", "SII", "OIII", "L"), COOLING, REFRACTOR),
        (ONCE + ONCE[::-1], COOLING, REFRACTOR),
        (ONCE, {}, REFRACTOR),
        (ONCE, COOLING, STATED),
    ],
)
def test_offsets_are_unbiased_and_covered(order, circumstances, setup):
    error, sigma, half95 = errors_of(NightOfSweeps(order=order, **circumstances), setup=setup)
    per_night = error.mean(axis=1)
    assert abs(np.median(per_night)) < 4 * 1.25 * np.std(np.clip(per_night, -9, 9)) / 300**0.5
    assert np.mean(np.abs(error) <= sigma) == pytest.approx(0.69, abs=0.06)
    assert np.mean(np.abs(error) <= half95) == pytest.approx(0.955, abs=0.025)


def test_cooling_costs_what_theory_says_and_no_more():
    steady = errors_of(NightOfSweeps(), drawn=False)[0]
    cooling = errors_of(NightOfSweeps(**COOLING), drawn=False)[0]
    # Least squares by hand: seven filters, L at both ends and between, one slope more.
    names = list(ONCE)
    order = NightOfSweeps().order
    design = np.array([[f == n for n in names] for f in order], float)
    slope = np.linspace(-2, 2, len(order))[:, None]
    rms = []
    for x in (design, np.hstack([design, slope])):
        inverse = np.linalg.inv(x.T @ x) * 2.0
        contrast = np.eye(x.shape[1])[1:7] - np.eye(x.shape[1])[0]
        rms.append(np.sqrt(np.mean(np.diag(contrast @ inverse @ contrast.T))))
    ratio = np.sqrt(np.mean(cooling**2) / np.mean(steady**2))
    assert ratio == pytest.approx(rms[1] / rms[0], rel=0.05)


def test_without_repeats_the_stated_uncertainty_covers_any_plausible_drift():
    steady = errors_of(NightOfSweeps(order=ONCE), nights=60)[2]
    # 2.5 x 23.6e-6 x 700 mm over 4 um, times the cooling since L: what the drift may be at most.
    drift = 10.325 * np.linspace(0, 4, 7)[1:]
    for coefficient in (-10.0, -5.0, 3.0):
        night = NightOfSweeps(order=ONCE, **COOLING | {"steps_per_degC": coefficient})
        error, sigma, half95 = errors_of(night, nights=60)
        # What lies anywhere within a bound is known to 0.58 of it (JCGM 100:2008, 4.3.7).
        assert np.median(sigma / drift) == pytest.approx(3**-0.5, abs=0.1)
        assert coefficient == -10.0 or np.mean(np.abs(error) <= sigma) > 0.68
        assert np.mean(np.abs(error) <= half95) > 0.95
        assert np.median(half95 / (drift + np.median(steady, axis=0))) == pytest.approx(1, abs=0.1)


def test_many_repeats_make_the_intervals_true_whatever_the_scatter():
    for scatter in (0.3, 4.0):
        night = NightOfSweeps(order=ONCE * 4, scatter=scatter)
        error, sigma, half95 = errors_of(night, nights=300, drawn=False)
        assert np.mean(np.abs(error) <= sigma) == pytest.approx(0.69, abs=0.06)
        assert np.mean(np.abs(error) <= half95) == pytest.approx(0.955, abs=0.03)
