"""One frame by itself: table, flags, what is not used and why."""

import astropy.units as u
import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial import cKDTree

from starsize.stars import StarFlag, measure_frame
from starsize.stars.background import Sky
from starsize.stars.measure import data_ceiling, gain_from_sky

from .scenes import draw, fine_star, pixels, spread_places

SHAPE = (700, 900)
COLUMNS = [
    "x", "y", "radius", "radius_sigma", "mean_radius", "flux", "flux_sigma", "background",
    "elongation", "flags",
]  # fmt: skip


def frame(disc=0.0, n=60, seed=40, **draw_options):
    rng = np.random.default_rng(seed)
    places = spread_places(rng, SHAPE, n, gap=60, rim=-5)
    fluxes = 10 ** rng.uniform(3.7, 5.3, n)
    return draw(SHAPE, places, fluxes, fine_star(disc, obstruction=0.3), rng=rng, **draw_options)


def test_the_table_has_units_and_its_columns_even_when_empty():
    full = measure_frame(frame()[0])
    empty = measure_frame(np.full((100, 100), 700, np.uint16))
    assert len(empty) == 0
    for table in (full, empty):
        assert table.colnames == COLUMNS
        assert table["radius"].unit == u.pix
        assert table["flux"].unit == u.adu
    assert_allclose(full.meta["background_adu"], 800, atol=2)
    assert_allclose(full.meta["background_rms_adu"], 10, rtol=0.05)


def test_fluxes_places_and_radii_are_right_for_clean_stars():
    image, drawn = frame(5.0)
    table = measure_frame(image, gain_e_per_adu=1.0)
    clean = table[table["flags"] == 0]
    gap, _ = cKDTree(drawn).query(np.stack([clean["x"].value, clean["y"].value], 1))
    assert len(clean) > 45
    assert np.median(gap) < 0.1
    radius = clean["radius"].value
    assert np.std(radius) < 0.01 * np.median(radius)


def test_stars_near_each_other_are_blended_and_others_are_not():
    star = fine_star(0.0)
    rng = np.random.default_rng(41)
    places = [(100.0, 100.0), (104.0, 101.0), (300.0, 200.0), (500.0, 400.0)]
    image, _ = draw(SHAPE, places, [8e4, 5e4, 8e4, 8e4], star, rng=rng)
    table = measure_frame(image)
    near = np.hypot(table["x"].value - 102, table["y"].value - 100) < 5
    assert (table["flags"][near] & (StarFlag.BLENDED | StarFlag.SHAPE) > 0).all()
    assert (table["flags"][~near] == 0).all()


def test_a_neighbour_at_a_distance_is_cut_away_and_costs_little():
    star = fine_star(4.0, obstruction=0.3)
    rng = np.random.default_rng(42)
    alone = [(x, y) for x in range(100, 850, 150) for y in (120, 420)]
    pairs = [(x + 11.5, y + 3) for x, y in alone[::2]]
    fluxes = np.r_[np.full(len(alone), 1e5), np.full(len(pairs), 3e4)]
    image, _ = draw(SHAPE, alone + pairs, fluxes, star, rng=rng)
    table = measure_frame(image)
    bright = table["flux"].value > 6e4
    radius, x = table["radius"].value[bright], table["x"].value[bright]
    y = table["y"].value[bright]
    has_neighbour = np.array(
        [min(np.hypot(a - px, b - py) for px, py in pairs) < 15 for a, b in zip(x, y, strict=True)]
    )
    assert has_neighbour.any()
    assert (~has_neighbour).any()
    # Uncut, a neighbour of three tenths of the light would widen the star by tens of per cent.
    assert_allclose(np.median(radius[has_neighbour]), np.median(radius[~has_neighbour]), rtol=0.02)


def test_saturation_is_seen_from_the_data_s_own_ceiling():
    image, _ = frame(n=40)
    cut = np.minimum(np.rint(image), 6000).astype(np.uint16)
    table = measure_frame(cut)
    peaks = [
        cut[round(y), round(x)]
        for x, y in zip(table["x"].value, table["y"].value, strict=True)
        if 0 <= x < 899 and 0 <= y < 699
    ]
    saturated = (table["flags"] & StarFlag.SATURATED) > 0
    assert saturated.sum() >= 5
    assert saturated.sum() >= np.count_nonzero(np.array(peaks) >= 6000) - 1


@pytest.mark.parametrize("dtype", [np.uint16, np.float32, np.float64])
def test_the_ceiling_needs_company(dtype):
    image = np.arange(10000, dtype=dtype).reshape(100, 100)
    assert data_ceiling(image) == np.inf
    image[0, :12] = 50000
    assert_allclose(data_ceiling(image), 0.995 * 50000)


def test_a_galaxy_is_not_like_a_star():
    image, _ = frame(n=40)
    y, x = np.mgrid[-60:61, -60:61]
    blob = 4e5 * np.exp(-np.hypot(x, y) / 9.0) / (2 * np.pi * 81)
    image[300:421, 400:521] += blob
    table = measure_frame(image)
    there = np.hypot(table["x"].value - 460, table["y"].value - 360) < 4
    assert there.any()
    assert (table["flags"][there] != 0).all()


def test_diffraction_spikes_are_not_counted_as_good_stars():
    image, drawn = frame(n=30)
    star, _, _ = pixels(fine_star(0.0), 0.0, 0.0)
    half = star.shape[0] // 2
    image[350 - half : 351 + half, 450 - half : 451 + half] += 3e6 * star
    d = np.arange(-60, 61)
    spike = 4000 * np.exp(-np.abs(d) / 18.0)
    image[350, 390:511] += spike
    image[290:411, 450] += spike
    table = measure_frame(image)
    good = table["flags"] == 0
    strangers = cKDTree(drawn).query(np.stack([table["x"].value, table["y"].value], 1))[0] > 4
    around = np.hypot(table["x"].value - 450, table["y"].value - 350) < 65
    assert (good & strangers & around).sum() <= 1  # the bright star itself, if it is clean


def test_the_brightest_only_if_asked():
    image, _ = frame()
    some = measure_frame(image, max_stars=10)
    assert len(some) == 10
    assert some.meta["n_found"] > 10


def test_the_gain_is_judged_from_the_noise_of_a_raw_sky_only():
    # Photon noise: variance in ADU^2 is the level in ADU over the gain.
    assert_allclose(gain_from_sky(Sky(np.full((2, 2), 900.0), 128.0, 15.0)), 4.0)
    assert gain_from_sky(Sky(np.full((2, 2), -3.0), 128.0, 15.0)) is None
    assert gain_from_sky(Sky(np.full((2, 2), 60000.0), 128.0, 0.5)) is None


def test_missing_columns_and_corners_are_lived_with():
    image, drawn = frame(n=40, seed=43)
    image[:, 300:304] = np.nan
    image[:260, :300] = np.nan
    table = measure_frame(image)
    clean = table[table["flags"] == 0]
    assert len(clean) > 20
    gap, _ = cKDTree(drawn).query(np.stack([clean["x"].value, clean["y"].value], 1))
    assert np.max(gap) < 1.0
    assert np.std(clean["radius"].value) < 0.02 * np.median(clean["radius"].value)


def test_a_frame_half_empty_is_measured_in_its_other_half():
    image, _ = frame(n=40, seed=44)
    image[:400] = np.nan
    table = measure_frame(image)
    assert (table["flags"] == 0).sum() > 8
    assert data_ceiling(image) == np.inf
    assert data_ceiling(np.full((300, 300), np.nan)) == np.inf
