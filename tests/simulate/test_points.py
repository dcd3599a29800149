from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.simulate import (
    LENSES,
    PointsPlan,
    draw_points,
    half_flux_radius_px,
    star_blur,
    tabulate_radii,
)
from starsize.simulate.curve import bounded_radius_px

QUIET = PointsPlan(order=("B", "Ha"), jitter=0.0, star_noise=0.0)


@pytest.fixture(scope="module")
def table():
    return tabulate_radii(LENSES["petzval_f5"], ("B", "Ha"))


@pytest.mark.parametrize("seeing", [0.8, 1.0, 1.3])
def test_table_holds_the_radii_of_the_simulators_stars(table, seeing):
    plan = replace(QUIET, seeing=seeing, reach=1.2)
    for sweep in draw_points(table, plan, seed=4):
        rows = zip(sweep.position_steps, sweep.radius_px, sweep.bounds_px, strict=True)
        for position, radii, bounds in rows:
            outward = table.scene.focuser.outward_um(position, table.scene.focuser.home_degC)
            blur = star_blur(table.scene, sweep.filter, outward, seeing_factor=seeing)
            known = [half_flux_radius_px(blur, pixels=False, fraction=f) for f in (0.3, 0.5, 0.8)]
            assert_allclose(radii[:3], known, rtol=3e-4)
            assert_allclose(radii[3], bounded_radius_px(blur, bounds), rtol=5e-4)


def test_radii_scatter_as_their_sigma_says(table):
    plan = replace(QUIET, miscentre=0.0)
    bare = draw_points(table, plan, seed=1)[0].radius_px
    nights = [draw_points(table, replace(plan, star_noise=0.01), seed=s)[0] for s in range(300)]
    pull = np.array([(n.radius_px - bare) / n.sigma_px for n in nights])
    # 3,300 draws of each share know a standard deviation to 1.2 %.
    assert_allclose(pull.std((0, 1)), 1.0, atol=0.05)


def test_channels_of_one_exposure_share_position_seeing_and_wreck(table):
    plan = PointsPlan(order=("B", "Ha"), together=True, wrecked=2)
    first, second = draw_points(table, plan, seed=1)
    for name in ("position_steps", "seeing", "wreck"):
        assert_allclose(getattr(first, name), getattr(second, name))
    assert np.sum(first.wreck != 1) == 2
    # Best focus of each lies as deep inside as in a sweep of its own.
    for sweep in (first, second):
        aside = np.abs(sweep.position_steps[[0, -1]] - sweep.best_steps)
        assert aside.min() > 0.9 * table.half_steps


def test_no_radius_is_made_up_beyond_the_table(table):
    with pytest.raises(ValueError, match="must lie in the table"):
        draw_points(table, replace(QUIET, reach=3.0), seed=1)
