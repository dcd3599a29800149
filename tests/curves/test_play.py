"""Play taken up at the start, and orders that cannot be right."""

from dataclasses import replace

import numpy as np
import pytest

from starsize import fit_curve
from starsize.curves import fit_curves, focus_curve
from starsize.curves.night import Known, Q, build_night
from starsize.curves.play import explain_with_play
from starsize.curves.posterior import descend

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


def night_of(*plays, seed=10):
    """Sweeps of seven positions, 67 steps apart, that begin with so much play."""
    return [with_play(play, positions=7, seed=seed + k) for k, play in enumerate(plays)]


def plays(curves):
    """The play that each sweep of a night reports."""
    return [fit.play_steps for fit in fit_curves(curves).fits]


@pytest.mark.parametrize("inward", [False, True])
@pytest.mark.parametrize(("play", "frames"), [(0, 0), (55, 2), (90, 3), (130, 4)])
def test_frames_that_stood_still_are_counted(play, frames, inward):
    fit = fit_curve(with_play(play, inward=inward))
    assert sum("being taken up" in (why or "") for why in fit.frame_reasons) == frames


def test_a_flat_start_counts_where_the_camera_stood_and_the_play_is_told():
    fit = fit_curve(with_play(90, inward=True))
    assert fit.answered
    assert abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps
    assert abs(fit.play_steps.value - 90) < 12
    assert fit.used.sum() == 11 - 3
    assert all("play was being taken up" in why for why in fit.frame_reasons[:3])
    assert "before the camera moved (play)" in fit.reason


def test_one_sweep_cannot_tell_play_of_less_than_a_spacing_from_a_wreck():
    """The spacing is 40 steps: only the first frame stands elsewhere."""
    fit = fit_curve(with_play(20, inward=True))
    assert fit.answered
    assert abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps
    assert list(np.flatnonzero(~fit.used)) == [0]
    assert "gust or trail, or play" in fit.frame_reasons[0]
    assert "(play)" not in fit.reason
    assert np.isnan(fit.play_steps.value)


@pytest.mark.parametrize("play", [25, 45, 85, 130])
def test_sweeps_of_a_night_show_together_what_one_alone_does_not(play):
    fits = fit_curves(night_of(play, play, play)).fits
    found = {fit.play_steps for fit in fits}
    assert len(found) == 1
    (found,) = found
    assert abs(found.value - play) < 3 * found.sigma < 20
    assert all(abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps for fit in fits)


def test_a_sweep_that_was_run_in_beside_others_that_turned_shows_none():
    assert [play.is_known for play in plays(night_of(85, 85, 0))] == [True, True, False]


def test_narrow_sweeps_that_turned_share_one_play():
    """Seven positions, the play more than one of their spacings and less than two."""
    fits = fit_curves([with_play(85, positions=7, seed=k) for k in range(2)]).fits
    for fit in fits:
        assert list(np.flatnonzero(~fit.used)) == [0, 1]
        assert fit.frame_reasons[0] == "play_taken_up"
        assert fit.reason == "play_at_start"
        assert abs(fit.best_steps - 1000) < 4 * fit.best_sigma_steps
        assert fit.play_steps == fits[0].play_steps
        assert abs(fit.play_steps.value - 85) < 3 * fit.play_steps.sigma < 20


def test_the_uncertainty_of_the_play_is_that_of_its_profile_likelihood():
    """Minus twice its log rises by 1 at one sigma (Wilks 1938); more, as scatters are averaged."""
    curves = night_of(85, 85)
    night = build_night(curves, known=Known(), bands={})
    found, starts = explain_with_play(night)
    play, (night, values, *_) = starts[0].play, found.fit
    scatter = {"jitter": found.usual(found.jitter), "lack": found.usual(found.lack)}

    def cost(steps):
        held = night.prior.changed(Q.PLAY, target=steps, scale=1e-6, tail=np.inf)
        return descend(replace(night, prior=held), values, steps=30, **scatter).cost

    low, middle, high = (cost(play.value + k * play.sigma) for k in (-1, 0, 1))
    curvature = (low + high) / 2 - middle
    assert 0.8 < curvature < 1.8
    assert abs(low - high) / 4 / curvature < 0.3


@pytest.mark.parametrize("size", [0.8, 0.9])
def test_one_wrecked_first_frame_among_sweeps_is_no_play(size):
    """As small as play of half a spacing or so would leave it, but the others show none."""
    night = night_of(0, 0, 0)
    night[1] = with_first(night[1], size * night[1].radius_px[0])
    assert not any(play.is_known for play in plays(night))


def test_a_wreck_in_all_channels_of_a_colour_camera_counts_once():
    """The same frames tell the same in every channel (common practice: R, G and B of one raw)."""
    times = 60000.8 + np.arange(7) / 1440
    night = [replace(curve, time_mjd=times) for curve in night_of(0, 0, 0, seed=0)]
    night = [with_first(curve, 0.85 * curve.radius_px[0]) for curve in night]
    assert not any(play.is_known for play in plays(night))
    apart = [replace(curve, time_mjd=times + k) for k, curve in enumerate(night)]
    assert all(play.is_known for play in plays(apart))


def test_one_wreck_as_large_as_the_next_frame_is_no_flat_start():
    curve = with_play(0)
    curve = with_first(curve, curve.radius_px[1])
    fit = fit_curve(curve)
    assert list(np.flatnonzero(~fit.used)) == [0]
    assert "off the curve" in fit.frame_reasons[0]
    assert np.isnan(fit.play_steps.value)


@pytest.mark.parametrize("factor", [1.3, 0.3])
def test_a_first_frame_that_no_play_explains_is_called_wrecked(factor):
    """Too large, or as small as only two spacings of play would make it with the next frame off."""
    curve = with_play(0, positions=7, seed=10)
    fit = fit_curve(with_first(curve, factor * curve.radius_px[0]))
    assert not fit.used[0]
    assert "far off the curve" in fit.frame_reasons[0]


def test_the_same_frame_at_another_place_is_no_play():
    """Play is taken up at the start: the last frame, and a sweep that turned, do not show it."""
    curve = with_play(40, positions=7, seed=10)
    assert "or play" in fit_curve(curve).frame_reasons[0]
    for order in (slice(None, None, -1), [1, 0, *range(2, 7)]):
        moved = replace(
            curve,
            position_steps=curve.position_steps[order],
            radius_px=curve.radius_px[order],
            radius_sigma_px=curve.radius_sigma_px[order],
        )
        fit = fit_curve(moved)
        assert "play" not in " ".join([fit.reason, *filter(None, fit.frame_reasons)])


def test_without_play_nothing_is_left_out():
    """Hundreds of nights are in scripts/results/focuser_trials.md."""
    for seed in range(100, 118, 3):
        for fit in fit_curves(night_of(0, 0, 0, seed=seed)).fits:
            assert "play" not in " ".join([fit.reason, *filter(None, fit.frame_reasons)])
        assert not plays([with_play(0, positions=7, seed=seed)])[0].is_known


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
