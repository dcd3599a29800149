"""Two runs without repeats: whose scatter counts, what the frames alone know, what would tell."""

from dataclasses import replace

import numpy as np
import pytest
from sweep_nights import ONCE, REFRACTOR, NightOfSweeps, measured_set

from starsize.comparison import compare_sweeps
from starsize.comparison.sets import compare_filter_sets, with_one_more, with_scatter_of
from starsize.reports.words import worded
from starsize.setup import Telescope

#: At f/4 the zone is 4.4 steps.
FAST = replace(REFRACTOR, telescope=Telescope(focal_length_mm=700.0, aperture_mm=175.0))


def run(name, seed, order=ONCE, scatter=0.3):
    night = NightOfSweeps(order=order, fit_sigma=0.2, scatter=scatter)
    return measured_set(
        compare_sweeps(night.curves(np.random.default_rng(seed)), setup=FAST), name=name
    )


def rows_of(old, new):
    return {r.filter: r for r in worded(compare_filter_sets(old, new)).rows}


def test_two_runs_without_repeats_say_what_the_frames_know_and_what_would_tell():
    old, new = run("may", 1), run("june", 2)
    row = rows_of(old, new)["R"]
    assert row.change == "cannot tell"
    # Four sweeps of 0.2 steps: 1.96 x 0.4.
    assert "the frames alone say" in row.reason
    assert "+- 0.8" in row.reason
    assert "one more sweep of L in each run makes it about +-" in row.reason


def test_one_more_sweep_makes_it_about_what_is_said():
    old, new = run("may", 1), run("june", 2)
    said = with_one_more(old, new, "R")
    # Repeats of a focuser as is common: 4 um, a step, from run to run.
    found = []
    for seed in range(12):
        pair = [run(n, (seed, k), (*ONCE, "L"), scatter=1.0) for k, n in enumerate(("a", "b"))]
        found.append(np.hypot(*(p.half95_steps[p.filters.index("R")] for p in pair)))
    assert said == pytest.approx(np.median(found), rel=0.35)


def test_the_repeats_of_one_run_serve_both():
    alone, repeated = run("may", 1), run("june", 2, ONCE * 3)
    borrowed = with_scatter_of(alone, repeated)
    assert with_scatter_of(repeated, alone) is repeated
    # JCGM 100:2008, 5.2: two sweeps of 0.2 and the scatter found, in squares.
    tau = repeated.repeatability_steps.value
    i = borrowed.filters.index("R")
    assert borrowed.covariance_steps2[i, i] == pytest.approx(2 * (0.2**2 + tau**2), rel=0.1)
    assert borrowed.half95_steps[i] < 0.6 * alone.half95_steps[i]
    found = worded(compare_filter_sets(alone, repeated))
    assert [n.code for n in found.notices] == ["scatter_borrowed"]
    assert {r.filter: r for r in found.rows}["R"].change == "unchanged"


def test_borrowed_intervals_cover():
    inside = []
    for seed in range(60):
        old = with_scatter_of(run("a", (seed, 0)), run("b", (seed, 1), ONCE * 2))
        true = np.array([NightOfSweeps().offsets[f] for f in old.filters[1:]])
        inside.append(np.abs(old.offset_steps[1:] - true) < np.array(old.half95_steps[1:]))
    assert 0.88 < np.mean(inside) <= 1.0
