"""Play, repeatability and the parts of the uncertainty."""

from dataclasses import replace

import numpy as np
import pytest
from focuser_nights import flat_start_night, nights_together, repeatability_covers
from sweep_nights import ONCE, REFRACTOR, NightOfSweeps

from starsize import compare_sweeps
from starsize.setup import Focuser


def compared(setup=REFRACTOR, seed=1, **night):
    curves = NightOfSweeps(**night).curves(np.random.default_rng(seed))
    return compare_sweeps(curves, setup=setup)


def test_85_steps_of_play_are_found_from_both_directions():
    # ISO 230-2: the reversal value is the mean from one side less the mean from the other.
    ways = ("outward",) * 4 + ("inward",) * 4
    for seed in range(20):
        found = compared(order=("L", "R", "G", "B") * 2, approach=ways, backlash=85.0, seed=seed)
        health = found.focuser
        assert health.backlash_from == "both directions"
        assert abs(health.backlash_steps.value - 85) < min(4, 3 * health.backlash_steps.sigma)


def test_85_steps_of_play_are_found_from_flat_starts():
    rng = np.random.default_rng(0)
    for _ in range(20):
        health = flat_start_night(rng, 85.0)
        assert health.backlash_from == "flat start"
        assert abs(health.backlash_steps.value - 85) < min(4, 3 * health.backlash_steps.sigma)
    assert flat_start_night(rng, 0.0).backlash_steps is None


def test_the_interval_of_the_scatter_covers_what_it_says():
    rng = np.random.default_rng(8)
    covered = [repeatability_covers(rng)[0] for _ in range(200)]
    # Binomial scatter of 200: 0.033.
    assert np.mean(covered) == pytest.approx(0.69, abs=0.08)


def test_the_two_parts_make_up_the_whole():
    for row in compared().rows:
        parts = np.hypot(row.sigma_frames_steps, row.sigma_focuser_steps)
        assert parts == pytest.approx(row.offset_sigma_steps, abs=1e-9)


def test_without_repeats_most_of_it_is_what_focusers_scatter_and_the_sentence_says_so():
    found = compared(order=ONCE, fit_sigma=0.2)
    row = found.rows[1]
    # Two sweeps of 0.2 steps each: 0.28.
    assert row.sigma_frames_steps == pytest.approx(0.2 * np.sqrt(2), rel=0.15)
    assert row.sigma_focuser_steps > 4 * row.sigma_frames_steps
    text = next(n.text for n in found.notices if n.code == "no_repeats")
    assert "0.3 of the" in text
    assert "sweep L twice more to learn yours" in text


def test_a_stated_repeatability_stands_in_for_what_is_common():
    known = replace(REFRACTOR, focuser=Focuser(um_per_step=4.0, repeatability_steps=0.3))
    row = compared(known, order=ONCE, fit_sigma=0.2).rows[1]
    # Two sweeps: sqrt(2) times the hypotenuse of 0.2 and 0.3.
    assert row.offset_sigma_steps == pytest.approx(np.sqrt(2) * np.hypot(0.2, 0.3), rel=0.05)
    assert row.sigma_focuser_steps == pytest.approx(np.sqrt(2) * 0.3, rel=0.1)


def test_three_nights_are_surer_than_the_best_of_them_and_cover():
    rng = np.random.default_rng(6)
    rows = np.array([nights_together(rng) for _ in range(30)]).reshape(-1, 3)
    error, sigma, best = rows.T
    assert np.median(best / sigma) > 1.5
    assert np.mean(np.abs(error) < sigma) == pytest.approx(0.69, abs=0.1)
