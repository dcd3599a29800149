"""Slopes of the radius over a tilted or curved field, against the drawn telescope's."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.night import judge_night
from starsize.night.learn import learn_shape
from starsize.night.model import DEFOCUS_ZONES
from starsize.night.telescope import Field, slopes_over, star_table
from starsize.photometry.scale import no_stars
from starsize.simulate.long_night import LongNightPlan
from starsize.simulate.long_night_points import zone_steps
from starsize.tracking.tasks import field_slopes

from .nights import drawn, swept

TILT = (0.5, -0.2, 0.3)
SLOPED = {"shape_sigma": 0.003, "slopes_noise": np.array([0.005, 0.005, 0.014])}
PLAN = LongNightPlan(
    frames=20, order=("L",), block=20, start_zones=0.1, slip_frame=10, slip_zones=-2.2
)


@pytest.fixture(scope="module")
def tilted(table):
    return replace(table, field_zones=TILT)


def test_a_parabola_of_ln_radius_tilted_is_its_closed_form():
    """Of ln r = (d - f)^2 with f = a u the slope along u is that of a^2 u^2 - 2 a d u: -2 a d."""
    slopes = slopes_over(0.01 * DEFOCUS_ZONES[None] ** 2, np.array([0.4, 0.0, 0.0]))
    inner = slice(20, 61)
    assert_allclose(slopes[0, inner, 0], -2 * 0.01 * 0.4 * DEFOCUS_ZONES[inner], atol=1e-3)
    assert_allclose(slopes[0, inner, 1], 0.0, atol=1e-9)


def test_slopes_of_stars_are_those_drawn_and_odd_stars_do_not_turn_them():
    rng = np.random.default_rng(3)
    rows, columns, count = 400, 600, 150
    stars = no_stars(count)
    stars.x[:], stars.y[:] = rng.uniform(0, columns, count), rng.uniform(0, rows, count)
    u, v = 2 * stars.x / columns - 1, 2 * stars.y / rows - 1
    stars.flags[:] = 0
    stars.radius[:] = 3 * np.exp(0.05 * u - 0.03 * v + 0.03 * rng.standard_normal(count))
    stars.radius[:8] *= 3
    stars.radius_sigma[:] = 0.01 * stars.radius
    slopes, sigma = field_slopes(stars, (rows, columns))
    assert_allclose(slopes, (0.05, -0.03, 0.0), atol=3 * max(sigma))
    # Of evenly spread stars the plane is known to sqrt(3 / n) of their scatter (least squares).
    assert sigma[0] == pytest.approx(0.032 * np.sqrt(3 / count), rel=0.3)
    assert field_slopes(stars.part(np.arange(10)), (rows, columns)) is None


def test_the_field_is_learnt_from_sweeps_and_a_flat_one_is_none(table, tilted, equipment):
    known = replace(equipment, zone_steps=zone_steps(table))
    found = learn_shape(known, swept(tilted, ("L", "G"), **SLOPED)).field
    assert_allclose(found.zones, TILT, atol=0.05)
    assert learn_shape(known, swept(table, ("L", "G"), **SLOPED)).field is None


def test_too_few_frames_tell_no_field(table, tilted, equipment):
    known = replace(equipment, zone_steps=zone_steps(table))
    assert learn_shape(known, swept(tilted, ("L", "G"), **SLOPED)[2:8]).field is None


def night_of(table, equipment, field):
    exposures, night, points = drawn(table, PLAN, seed=8)
    return judge_night(exposures, replace(equipment, field=field)), night, points


def test_a_tilted_field_tells_the_side_and_how_far(tilted, equipment):
    field = Field(
        zones=np.array(TILT), relative=0.03, own={"L": np.zeros(3)}, scatter=np.full(3, 0.004)
    )
    seen, night, _ = night_of(tilted, equipment, field)
    blind, _, _ = night_of(tilted, equipment, None)
    after = range(11, 20)
    assert not any(blind.frames[k].side_known for k in after)
    for k in after:
        assert seen.frames[k].side_known
        assert seen.frames[k].defocus_zones == pytest.approx(night.defocus_zones[k], abs=0.4)
        assert seen.frames[k].defocus_sigma_zones < blind.frames[k].defocus_sigma_zones


def test_a_camera_that_has_been_straightened_since_is_not_taken_for_focus(table, equipment):
    """The night's field is flat, the sweeps' was tilted: the slip must be seen all the same."""
    field = Field(
        zones=np.array(TILT), relative=0.03, own={"L": np.zeros(3)}, scatter=np.full(3, 0.004)
    )
    seen, _, points = night_of(table, equipment, field)
    assert (points.growth[10:] > 0.15).all()
    assert "held" not in {frame.state for frame in seen.frames[12:]}


def test_the_table_of_a_filter_without_a_sweep_takes_the_mean_of_the_others(equipment):
    field = Field(
        zones=np.array(TILT),
        relative=0.03,
        own={"L": np.full(3, 0.01), "R": np.full(3, 0.03)},
        scatter=np.full(3, 0.004),
    )
    table = star_table(equipment, "G", np.array([1.7])).in_field(field, "G")
    assert_allclose(table.field.own, 0.02)
    assert table.fielded.tolist() == [False, True]
