"""Play taken up at the start, and orders that cannot be right."""

from dataclasses import replace

import numpy as np
import pytest

from starsize.curves import fit_curve, focus_curve
from starsize.curves.play import flat_start

from .helpers import at_positions, sweep


def with_play(play, *, positions=11, seed=2, inward=False):
    """The counter runs ``play`` steps before the camera moves (common practice: 0 to 200 steps)."""
    rng = np.random.default_rng(seed)
    position = np.linspace(800, 1200, positions)
    stands = np.maximum(position, position[0] + play)
    if inward:
        position, stands = 2000 - position, 2000 - stands
    curve = at_positions(stands, best=1000, slope=0.05, floor=2.0, jitter=0.04, star=0.005, rng=rng)
    return replace(curve, position_steps=position)


@pytest.mark.parametrize("inward", [False, True])
@pytest.mark.parametrize(("play", "frames"), [(55, 2), (90, 3), (130, 4)])
def test_a_flat_start_is_left_out_and_the_play_is_told(play, frames, inward):
    fit = fit_curve(with_play(play, inward=inward))
    assert fit.answered
    assert abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps
    assert abs(fit.play_steps.value - play) < 12
    assert fit.used.sum() == 11 - frames
    assert all("play was being taken up" in why for why in fit.frame_reasons[:frames])
    assert "before the camera moved (play)" in fit.reason


def test_without_play_nothing_is_left_out():
    for seed in range(30):
        curve = with_play(0, seed=seed)
        assert flat_start(curve) is None
    assert np.isnan(fit_curve(curve).play_steps.value)


def test_a_sweep_that_turned_round_shows_its_play():
    up = np.arange(850.0, 1151.0, 50.0)
    rng = np.random.default_rng(1)
    position = np.concatenate([up, up[::-1]])
    stands = np.concatenate([up, up[::-1] + 40])
    curve = at_positions(stands, best=1000, slope=0.05, floor=2.0, jitter=0.02, star=0.005, rng=rng)
    fit = fit_curve(replace(curve, position_steps=position))
    assert fit.verdict == "order_conflict"
    assert not fit.answered
    assert "approach every position from the same side" in fit.reason


def test_a_header_that_lags_by_one_frame_is_seen_when_positions_jump():
    rng = np.random.default_rng(4)
    position = rng.permutation(np.linspace(850, 1150, 11))
    true = at_positions(
        position, best=1000, slope=0.05, floor=2.0, jitter=0.03, star=0.005, rng=rng
    )
    late = focus_curve(position[1:], true.radius_px[:-1], true.radius_sigma_px[:-1])
    fit = fit_curve(late)
    assert fit.verdict == "order_conflict"
    assert "position of the frame before" in fit.reason


def test_positions_in_mixed_order_alone_are_no_fault():
    curve = sweep(best=1010.0)
    order = np.random.default_rng(2).permutation(9)
    mixed = replace(
        curve,
        position_steps=curve.position_steps[order],
        radius_px=curve.radius_px[order],
        radius_sigma_px=curve.radius_sigma_px[order],
    )
    assert fit_curve(mixed).verdict == "good"
