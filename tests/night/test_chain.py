"""The grid against closed forms: a linear Gaussian night, as Kalman filter and smoother solve."""

from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from starsize.night.chain import Chain, Frame, Step, _gaussian
from starsize.night.model import DEFOCUS_ZONES, NightPriors

LOG_SEEING = np.linspace(0.0, 1.0, 21)
PLAIN = NightPriors(
    start_zones=1.0, start_anyhow=0.0, slip_chance=0.0, walk_zones=0.5, refocus_chance=0.0
)


def measured(value, sigma):
    """A frame that shows the defocus itself, and nothing of the seeing."""
    height = np.exp(-0.5 * ((DEFOCUS_ZONES - value) / sigma) ** 2)[None]
    flat = np.full(height.shape, 0.5)
    return Frame(shown=np.stack([flat, 1e3 * flat, height, flat]))


def nodes_of(chain, *coefficients):
    """Nodes of one star."""
    value = np.array(coefficients)
    none = np.zeros(value.size)
    return chain.start(value[:, None], none.astype(int), none, -0.5 * value**2)


def rts(values, sigma, *, start, walk):
    """Scalar Kalman filter and smoother (Rauch, Tung & Striebel 1965, AIAA J. 3, 1445)."""
    mean, var, past = 0.0, start**2, []
    for k, value in enumerate(values):
        if k:
            var = var + walk**2
        predicted = (mean, var)
        gain = var / (var + sigma**2)
        mean, var = mean + gain * (value - mean), (1 - gain) * var
        past.append((mean, var, *predicted))
    smooth = [past[-1][:2]]
    for k in range(len(values) - 2, -1, -1):
        mean, var = past[k][:2]
        ahead, ahead_var = past[k + 1][2:]
        gain = var / ahead_var
        later, later_var = smooth[0]
        smooth.insert(0, (mean + gain * (later - ahead), var + gain**2 * (later_var - ahead_var)))
    return np.array(past)[:, :2], np.array(smooth)


def test_forward_and_backward_agree_with_kalman_filter_and_smoother():
    values = [0.3, 0.9, 0.7, 1.8, 2.4, 1.9]
    sigma = 0.8
    chain = Chain(LOG_SEEING, np.nan, PLAIN)
    frames = [measured(v, sigma) for v in values]
    steps = [Step(hours=1.0)] * len(values)
    filtered, smooth = rts(values, sigma, start=1.0, walk=0.5)
    nodes = nodes_of(chain, 0.0)
    past = [s.grid[0].sum(1) for s in chain.forward(frames, steps, nodes)]
    both, _, weights = chain.smooth(frames, steps, nodes)
    assert_allclose([p @ DEFOCUS_ZONES for p in past], filtered[:, 0], atol=0.01)
    assert_allclose(both[:, 0] @ DEFOCUS_ZONES, smooth[:, 0], atol=0.01)
    variance = both[:, 0] @ DEFOCUS_ZONES**2 - (both[:, 0] @ DEFOCUS_ZONES) ** 2
    assert_allclose(variance, smooth[:, 1], rtol=0.01)
    assert_allclose(weights, 1.0)


def test_a_transition_keeps_its_mean_however_small_and_loses_nothing():
    grid = DEFOCUS_ZONES
    for shift, sigma in ((0.0, 1e-9), (0.03, 1e-9), (0.13, 0.05), (-1.07, 0.6)):
        kernel = _gaussian(grid, np.array([shift]), sigma)[0]
        assert_allclose(kernel.sum(1), 1.0)
        middle = slice(30, 51)
        assert_allclose((kernel @ grid)[middle], grid[middle] + shift, atol=1e-6)


def test_a_transition_has_the_variance_of_its_step_and_many_add_up():
    """Steps shorter than a cell too: else a night of many frames would wander too far."""
    for shift, sigma in ((0.0, 0.02), (0.0, 0.087), (0.05, 0.087), (0.0, 0.3), (0.07, 0.3)):
        kernel = _gaussian(DEFOCUS_ZONES, np.array([shift]), sigma)[0]
        row = np.zeros(DEFOCUS_ZONES.size)
        row[40] = 1.0
        for _ in range(9):
            row = row @ kernel
        variance = row @ DEFOCUS_ZONES**2 - (row @ DEFOCUS_ZONES) ** 2
        assert_allclose(variance, 9 * sigma**2, rtol=0.01)


def test_a_known_move_and_the_coefficient_carry_the_belief_along():
    chain = Chain(LOG_SEEING, np.nan, PLAIN)
    moved = chain.moved(nodes_of(chain, 0.8), Step(hours=0.0, changed=(-1.5,), move_zones=0.4))
    assert_allclose(moved.grid[0].sum(1) @ DEFOCUS_ZONES, 0.4 + 0.8 * 1.5, atol=1e-3)


def test_nodes_without_weight_are_left_behind_and_change_nothing():
    chain = Chain(LOG_SEEING, np.nan, PLAIN)
    turning = np.linspace(-1.5, 1.5, 13)
    nodes = nodes_of(chain, *turning)
    frames = [measured(0.6 * k, 0.5) for k in range(6)]
    steps = [Step(hours=0.1, changed=(-1.0,))] * len(frames)
    *_, whole = chain.forward(frames, steps, nodes)
    left = chain.after(frames, steps, nodes)
    assert left.star.size < turning.size
    assert_allclose(left.weights @ left.coefficient[:, 0], whole.weights @ turning, atol=1e-4)


def test_the_offset_of_a_filter_is_what_its_frames_show_beyond_the_others():
    """Of x ~ N(0, 1) seen by some frames and x + e by others, e flat: the normal distribution's
    mean(others) - E(x | some), with the variances' sum."""
    chain = Chain(LOG_SEEING, np.nan, PLAIN)
    sigma = 0.4
    plain, beyond = [0.3, 0.5], [1.5, 1.7]
    frames = [measured(v, sigma) for v in plain]
    frames += [replace(measured(v, sigma), in_question=True) for v in beyond]
    left = chain.after(frames, [Step()] * 4, nodes_of(chain, 0.0))
    x_var = 1 / (1 + 2 / sigma**2)
    mean = np.mean(beyond) - x_var * sum(plain) / sigma**2
    found = left.weights @ left.offset_zones
    assert_allclose(found, mean, atol=0.01)
    variance = left.weights @ (left.offset_zones - found) ** 2
    assert_allclose(variance, sigma**2 / 2 + x_var, rtol=0.03)


def test_no_number_falls_below_what_single_precision_holds_well():
    """Below 2^-126 (IEEE 754-2019, 3.4) numbers are subnormal, and products ten times slower."""
    chain = Chain(np.linspace(-0.5, 2.3, 36), 1.3, NightPriors())
    u = np.full((1, DEFOCUS_ZONES.size), 0.7)
    sharp = Frame(shown=np.stack([u, 0.03 + 0 * u, np.exp(-2 * DEFOCUS_ZONES**2)[None], u]))
    sharp = replace(sharp, wild=0.02)
    steps = [Step(hours=1 / 12)] * 60
    for belief in chain.forward([sharp] * 60, steps, nodes_of(chain, 0.0)):
        some = belief.grid[belief.grid > 0]
        assert np.mean(some < np.finfo(np.float32).tiny) < 0.01
