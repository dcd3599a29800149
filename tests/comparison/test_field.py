"""Tilt and bowl found from stars, flat fields left alone, uneven ones refused."""

from dataclasses import replace

import numpy as np
import pytest
from star_fields import FRAME, UM_PER_STEP, drawn_sweep

from starsize.comparison.field import field_of_focus
from starsize.comparison.offsets.found import Scale
from starsize.estimate import Estimate

SCALE = Scale(um_per_step=Estimate(UM_PER_STEP))


def found(sweeps, scale=SCALE):
    return field_of_focus(sweeps, frame=FRAME, scale=scale)


@pytest.mark.parametrize(
    ("tilt", "bowl"), [((60.0, 0.0), 0.0), ((-60.0, 30.0), 60.0), ((0.0, 60.0), -60.0)]
)
def test_tilt_and_bowl_come_back_within_5_um_and_10_per_cent(tilt, bowl):
    rng = np.random.default_rng(1)
    for _ in range(10):
        field = found([drawn_sweep(rng, tilt_um=tilt, bowl_um=bowl)])
        for value, true in zip(
            (field.tilt_x_um, field.tilt_y_um, field.curvature_um), (*tilt, bowl), strict=True
        ):
            assert abs(value.value - true) < max(5.0, 0.1 * abs(true))
            assert abs(value.value - true) < 4 * value.sigma
        assert field.significant


def test_the_uncertainty_is_true_with_few_stars():
    # Normal errors have a standard deviation of 1 in their own sigmas. Left as they are, residuals
    # of few stars make it 1.12, for the fit has drawn them in: each over one minus its leverage.
    rng = np.random.default_rng(3)
    fields = [found([drawn_sweep(rng, stars=28, own_um=10.0)]) for _ in range(150)]
    told = [f for f in fields if hasattr(f, "curvature_um")]
    pulls = [
        one.value / one.sigma for f in told for one in (f.tilt_x_um, f.tilt_y_um, f.curvature_um)
    ]
    assert len(told) > 100
    assert 0.8 < np.std(pulls) < 1.02


def test_what_the_tilt_itself_adds_to_the_radius_of_a_frame_is_not_taken_for_seeing():
    # Taken for seeing, the spread of defocus over the frame lets 120 um read 122.
    rng = np.random.default_rng(7)
    tilts = [found([drawn_sweep(rng, tilt_um=(120.0, 0.0))]).tilt_x_um.value for _ in range(20)]
    assert np.mean(tilts) == pytest.approx(120, abs=0.6)


def test_what_a_curve_that_does_not_quite_fit_feigns_is_in_the_uncertainty():
    # Drawn frames of 60 um read 58 to 61 (scripts/field_frames.py): sharp stars alone would give
    # 0.1 um. Here the wings of the curve are 2 % steeper than those of its stars.
    rng = np.random.default_rng(10)
    for _ in range(10):
        sweep = drawn_sweep(rng, tilt_um=(60.0, 0.0), noise=0.005)
        middle = sweep.curve_steps[np.argmin(sweep.curve_px)]
        steep = replace(sweep, curve_steps=middle + (sweep.curve_steps - middle) / 1.02)
        tilt = found([steep]).tilt_x_um
        assert abs(tilt.value - 60) < 3 * tilt.sigma < 5


def test_the_angle_and_the_corners_follow():
    field = found([drawn_sweep(np.random.default_rng(2), tilt_um=(60.0, 0.0), bowl_um=20.0)])
    # 60 um over half of 4656 pixels of 3.8 um: 6.78e-3 rad, 23.3 arc minutes.
    assert field.tilt_arcmin.value == pytest.approx(23.3, rel=0.05)
    lower_left, lower_right, upper_left, upper_right = (c.value for c in field.corners_um)
    assert lower_right == pytest.approx(80, abs=6)
    assert upper_right == pytest.approx(80, abs=6)
    assert lower_left == pytest.approx(-40, abs=6)
    assert upper_left == pytest.approx(-40, abs=6)


def test_flat_fields_are_called_flat():
    rng = np.random.default_rng(3)
    for own_um in (0.0, 20.0):
        said = [found([drawn_sweep(rng, own_um=own_um)]).significant for _ in range(100)]
        assert sum(said) <= 5


def test_a_small_tilt_is_seen_in_three_filters_and_is_the_same_in_all():
    rng = np.random.default_rng(4)
    for _ in range(10):
        field = found([drawn_sweep(rng, name=n, tilt_um=(34.0, -20.0)) for n in "LRG"])
        assert field.significant
        assert abs(field.tilt_x_um.value - 34) < 5
        assert abs(field.tilt_y_um.value + 20) < 5
        assert field.changes_with_filter is False


def test_a_filter_with_a_field_of_its_own_is_told():
    rng = np.random.default_rng(5)
    sweeps = [drawn_sweep(rng, name=n, tilt_um=(60.0 * (n == "G"), 0.0)) for n in "LRG"]
    assert found(sweeps).changes_with_filter is True


def test_a_filter_that_shows_one_half_is_brought_to_the_centre():
    # The right half of a tilt of 60 um has its mean 30 um further out: 7.5 steps, give or take
    # which stars there are. All of the frame is 10,000 at its centre; 1.35 steps: a tenth zone.
    rng = np.random.default_rng(6)
    for _ in range(10):
        whole = drawn_sweep(rng, tilt_um=(60.0, 0.0))
        part = drawn_sweep(rng, name="Ha", tilt_um=(60.0, 0.0), half=True, stars=80)
        centre = found([whole, part]).centre_steps
        for sweep in (whole, part):
            own = sweep.curve_steps[np.argmin(sweep.curve_px)]
            assert own + centre[sweep.id].value == pytest.approx(10_000, abs=1.35)
        assert centre["Ha-1"].value < -5


def test_stars_that_all_focus_far_beside_their_frames_hardly_move_the_sweep():
    # A lens with colour: single stars show less of their halo than the frame's radius counts. Taken
    # at their word they would move the sweep by 20 steps, more than the tilt spreads the stars.
    sweep = drawn_sweep(np.random.default_rng(6), tilt_um=(60.0, 0.0))
    halo = np.linspace(0.6, 1.4, len(sweep.position_steps))
    beside = replace(sweep, radius_px=halo * sweep.radius_px)
    moves = [found([one]).centre_steps["L-1"].value for one in (sweep, beside)]
    assert moves[1] == pytest.approx(moves[0], abs=5.0)


def test_the_sense_of_the_count_turns_the_micrometres():
    sweep = drawn_sweep(np.random.default_rng(7), tilt_um=(60.0, 0.0))
    turned = found([sweep], Scale(um_per_step=Estimate(UM_PER_STEP), sense=-1))
    assert turned.tilt_x_um.value == pytest.approx(-found([sweep]).tilt_x_um.value)


def test_the_same_stars_in_all_filters_count_once():
    one = drawn_sweep(np.random.default_rng(8), own_um=20.0)
    one = replace(one, star=np.arange(len(one.x_px)))
    thrice = [replace(one, id=f"{n}-1", filter=n) for n in "LRG"]
    again = found(thrice)
    assert again.stars <= 200
    assert again.tilt_x_um.sigma == pytest.approx(found([one]).tilt_x_um.sigma, rel=0.05)


def test_too_few_or_uneven_stars_are_refused_with_the_reason():
    rng = np.random.default_rng(9)
    assert found([drawn_sweep(rng, stars=15)]) == "field_without_stars"
    assert found([drawn_sweep(rng, half=True)]) == "field_not_covered"
    assert found([drawn_sweep(rng)], Scale()) == "field_without_step_size"
