"""Play taken up at the start, and orders that cannot be right."""

from dataclasses import replace

import numpy as np
import pytest

from starsize import fit_curve
from starsize.curves import fit_curves, focus_curve
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


def with_first(curve, radius_px):
    """The curve with another radius of its first frame."""
    return replace(curve, radius_px=np.concatenate([[radius_px], curve.radius_px[1:]]))


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


@pytest.mark.parametrize(("play", "inward"), [(15, False), (20, True), (28, False)])
def test_one_sweep_cannot_tell_play_of_less_than_a_spacing_from_a_wreck(play, inward):
    """The spacing is 40 steps: only the first frame stands elsewhere."""
    fit = fit_curve(with_play(play, inward=inward))
    assert fit.answered
    assert abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps
    assert list(np.flatnonzero(~fit.used)) == [0]
    assert "gust or trail, or play" in fit.frame_reasons[0]
    assert "(play)" not in fit.reason
    assert np.isnan(fit.play_steps.value)


@pytest.mark.parametrize("play", [15, 28])
def test_sweeps_of_a_night_show_together_play_of_less_than_a_spacing(play):
    off = []
    for fit in fit_curves([with_play(play, seed=k, inward=k == 1) for k in range(3)]).fits:
        assert abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps
        assert list(np.flatnonzero(~fit.used)) == [0]
        assert fit.frame_reasons[0] == "play_taken_up"
        assert fit.reason == "play_at_start"
        assert fit.play_steps.sigma < 0.15 * 40
        off.append((fit.play_steps.value - play) / fit.play_steps.sigma)
    assert np.max(np.abs(off)) < 3


@pytest.mark.parametrize("size", [0.8, 0.9])
def test_one_wrecked_first_frame_among_sweeps_is_no_play(size):
    """As small as play of half a spacing or so would leave it, but the others show none."""
    night = [with_play(0, positions=7, seed=k) for k in range(3)]
    night[1] = with_first(night[1], size * night[1].radius_px[0])
    for fit in fit_curves(night).fits:
        assert fit.reason == "best_focus"
        assert np.isnan(fit.play_steps.value)


def test_a_wreck_in_all_channels_of_a_colour_camera_counts_once():
    """The same frames tell the same in every channel (common practice: R, G and B of one raw)."""
    times = 60000.8 + np.arange(7) / 1440
    night = [replace(with_play(0, positions=7, seed=k), time_mjd=times) for k in range(3)]
    night = [with_first(curve, 0.85 * curve.radius_px[0]) for curve in night]
    for fit in fit_curves(night).fits:
        assert fit.frame_reasons[0]
        assert fit.reason == "best_focus"
        assert np.isnan(fit.play_steps.value)
    apart = [replace(curve, time_mjd=times + k) for k, curve in enumerate(night)]
    assert all(fit.play_steps.is_known for fit in fit_curves(apart).fits)


def test_one_wreck_as_large_as_the_next_frame_is_no_flat_start():
    curve = with_play(0)
    curve = with_first(curve, curve.radius_px[1])
    assert flat_start(curve).frames == 2
    fit = fit_curve(curve)
    assert list(np.flatnonzero(~fit.used)) == [0]
    assert "off the curve" in fit.frame_reasons[0]
    assert np.isnan(fit.play_steps.value)


@pytest.mark.parametrize("factor", [1.3, 0.3])
def test_a_first_frame_that_no_play_explains_is_called_wrecked(factor):
    """Too large, or as small as only two spacings of play would make it with the next frame off."""
    curve = with_play(0)
    fit = fit_curve(with_first(curve, factor * curve.radius_px[0]))
    assert not fit.used[0]
    assert "far off the curve" in fit.frame_reasons[0]
    assert np.isnan(fit.play_steps.value)


def test_the_same_frame_at_another_place_is_no_play():
    """Play is taken up at the start: the last frame, and a sweep that turned, do not show it."""
    curve = with_play(24)
    for order in (slice(None, None, -1), [1, 0, *range(2, 11)]):
        moved = replace(
            curve,
            position_steps=curve.position_steps[order],
            radius_px=curve.radius_px[order],
            radius_sigma_px=curve.radius_sigma_px[order],
        )
        fit = fit_curve(moved)
        assert not fit.used[fit.curve.position_steps.argmin()]
        assert np.isnan(fit.play_steps.value)


def test_narrow_sweeps_show_together_what_one_alone_does_not():
    """Seven positions, the play more than one of their spacings and less than two."""
    off = []
    for seed in range(2):
        night = [with_play(85, positions=7, seed=10 * seed + k) for k in range(3)]
        for fit in fit_curves(night).fits:
            assert list(np.flatnonzero(~fit.used)) == [0, 1]
            assert abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps
            off.append((fit.play_steps.value - 85) / fit.play_steps.sigma)
    assert np.max(np.abs(off)) < 3
    assert np.sqrt(np.mean(np.square(off))) < 1.6


def test_a_sweep_that_was_run_in_beside_others_that_turned_keeps_all_its_frames():
    night = [with_play(85, positions=7, seed=k) for k in range(2)]
    fits = fit_curves([*night, with_play(0, positions=7, seed=5)]).fits
    assert fits[0].play_steps.is_known
    assert fits[-1].used.all()
    assert np.isnan(fits[-1].play_steps.value)


def test_without_play_nothing_is_left_out():
    curves = [with_play(0, seed=seed) for seed in range(30)]
    assert not any(flat_start(curve) for curve in curves)
    for curve in curves[:6]:
        fit = fit_curve(curve)
        assert "play" not in " ".join([fit.reason, *filter(None, fit.frame_reasons)])
        assert np.isnan(fit.play_steps.value)


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
