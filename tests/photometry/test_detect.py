"""One star, one maximum: rings, converter steps, lone pixels, trails."""

import numpy as np
import pytest

from starsize.photometry import measure_image

from .fields import DOUGHNUTS, doughnut, moffat, moffat_field, noisy, on_wide_sky, ring


def test_steps_of_the_converter_make_no_stars_and_change_no_radius():
    light, _ = moffat_field((400, 400), 12, 4, fluxes=np.full(12, 3e4), half_px=2.2)
    image = noisy(light, 5)
    fine = measure_image(image, gain_e_per_adu=1.0).radius
    for step in (4, 16, 40):
        coarse = measure_image(np.rint(image / step) * step, gain_e_per_adu=1.0).radius
        assert coarse.n_found == fine.n_found, step
        assert coarse.radius_px == pytest.approx(2.2, rel=0.012), step


def test_rings_side_by_side_stay_two_stars():
    light = ring((300, 300), 120.0, 150.0, 1e6, 18.0) + ring((300, 300), 160.0, 150.0, 9e5, 18.0)
    stars = measure_image(noisy(light, 3), gain_e_per_adu=1.0).stars
    assert len(stars) == 2
    assert sorted(np.rint(stars.x)) == pytest.approx([120, 160], abs=1.5)


@pytest.mark.parametrize("name", DOUGHNUTS)
@pytest.mark.parametrize("seed", [4, 5, 7])
def test_a_real_ring_on_a_wide_sky_is_one_star_whatever_the_noise(name, seed):
    for top, left in ((150, 100), (0, 0), (110, 120)):
        wide = on_wide_sky(doughnut(name), seed, 384, top, left)
        radius = measure_image(wide).radius
        assert radius.n_stars == 1
        assert radius.radius_px == pytest.approx(DOUGHNUTS[name], rel=0.01)


@pytest.mark.parametrize("flux", [1e5, 3e5])
def test_a_ring_on_a_steep_sky_in_a_small_image_is_found(flux):
    _, x = np.indices((300, 300))
    light = ring((300, 300), 150.0, 140.0, flux, 20.0) + 3000 * (1 + 0.6 * (x / 300 - 0.5))
    image = np.random.default_rng(1).normal(light, np.sqrt(light)).astype(np.float32)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    assert radius.n_found == 1
    # Half the area of a ring with a hole of 0.35 lies within sqrt((1 + 0.35^2) / 2) of its rim.
    truth = 20.0 * np.sqrt((1 + 0.35**2) / 2)
    assert radius.radius_px == pytest.approx(truth, abs=2 * radius.radius_sigma_px)


@pytest.mark.parametrize("x0", [60.0, 140.0, 225.0])
def test_a_slope_of_the_sky_changes_no_radius_even_near_the_rim(x0):
    star = ring((465, 280), x0, 150.0, 3e5, 20.0)
    radii = []
    for slope in (0.0, 0.3):
        light = star + 3000 * (1 + slope * (np.indices(star.shape)[1] / 280 - 0.5))
        image = np.random.default_rng(1).normal(light, np.sqrt(light)).astype(np.float32)
        radii.append(measure_image(image, gain_e_per_adu=1.0).radius)
    level, steep = radii
    assert steep.n_stars == 1
    assert steep.radius_px == pytest.approx(level.radius_px, abs=2 * level.radius_sigma_px)


def test_the_heart_of_a_galaxy_as_bright_as_the_sky_swallows_no_stars():
    places = [(66, 216), (146, 52)]
    light = sum(moffat((234, 334), x, y, 1.5e5, half_px=2.0) for x, y in places)
    y, x = np.indices(light.shape)
    light += 3000 * (1 + 0.6 * np.exp(-np.hypot(x - 97, y - 123) / 60))
    image = np.random.default_rng(3).normal(light, np.sqrt(light)).astype(np.float32)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    assert radius.n_stars == 2
    assert radius.radius_px == pytest.approx(2.0, rel=0.03)


def test_where_all_stars_are_wanted_the_weak_ones_are_told_apart_too():
    light, _ = moffat_field((1000, 1000), 300, 3, fluxes=np.full(300, 2e5), half_px=2.0)
    light[400:700, 400:700] = 0  # no star touches the rings
    light[400:700, 400:700] += ring((300, 300), 130.0, 150.0, 1e5, 18.0)
    light[400:700, 400:700] += ring((300, 300), 170.0, 150.0, 9e4, 18.0)
    stars = measure_image(noisy(light, 3), gain_e_per_adu=1.0, max_stars=None).stars
    assert len(stars) > 250
    for x in (530, 570):
        assert np.hypot(stars.x - x, stars.y - 550).min() < 1.5


def test_small_stars_are_found_among_wide_knots_of_nebula():
    rng = np.random.default_rng(41)
    light, places = moffat_field((500, 500), 25, 41, fluxes=np.full(25, 1e5), half_px=2.0)
    for y, x in rng.uniform(40, 460, (12, 2)):
        rows, columns = np.indices(light.shape)
        light += 600 * np.exp(-((rows - y) ** 2 + (columns - x) ** 2) / (2 * 18.0**2))
    stars = measure_image(noisy(light, 3), gain_e_per_adu=1.0).stars
    gap = np.hypot(stars.x[:, None] - places[:, 0], stars.y[:, None] - places[:, 1]).min(axis=0)
    assert np.mean(gap < 1) > 0.8


def test_one_hump_of_nebula_does_not_set_the_scale_of_the_sky():
    rng = np.random.default_rng(7)
    light, places = moffat_field((480, 640), 14, 7, fluxes=np.full(14, 6e3), half_px=4.0)
    rows, columns = np.indices(light.shape)
    light += 25 * np.exp(-((rows - 230) ** 2 + (columns - 560) ** 2) / (2 * 30.0**2))
    for y, x in rng.uniform(20, 460, (30, 2)):
        light += 12 * np.exp(-((rows - y) ** 2 + (columns - x) ** 2) / (2 * 40.0**2))
    stars = measure_image(noisy(light, 3), gain_e_per_adu=1.0).stars
    gap = np.hypot(stars.x[:, None] - places[:, 0], stars.y[:, None] - places[:, 1]).min(axis=0)
    assert np.sum(gap < 2) >= 12


def test_large_images_are_searched_on_quarter_scale_without_harm():
    fluxes = np.r_[np.full(18, 3e4), np.full(18, 400.0)]
    light, _ = moffat_field((440, 480), 36, 5, fluxes=fluxes, half_px=1.2)
    image = noisy(np.tile(light, (5, 5)), 3)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    assert 450 <= radius.n_found < 600
    assert radius.radius_px == pytest.approx(1.2, rel=0.01)
    # Where all are wanted the faint ones are looked for too.
    radius = measure_image(image, gain_e_per_adu=1.0, max_stars=None).radius
    assert radius.n_found > 850
    assert radius.radius_px == pytest.approx(1.2, rel=0.01)


@pytest.mark.parametrize("seed", range(4, 8))
def test_an_amplifier_s_glow_bends_the_sky_and_makes_no_stars(seed):
    y, x = np.indices((480, 640))
    level = 25.0 + 1200 * np.exp(-np.hypot(x, y) / 60)
    glow = np.random.default_rng(seed).poisson(level).astype(np.float32)
    # The corner itself stands out. With one sky for a cell, or one noise for all cells, up to ten
    # things more did.
    assert measure_image(glow).radius.n_found <= 2
