"""Detection at unknown scale: each star once, from needle to doughnut, and nothing else."""

import numpy as np
import pytest
from scipy.spatial import cKDTree

from starsize.stars import find_stars
from starsize.stars.survey import survey

from .scenes import draw, fine_star, spread_places

SHAPE = (900, 1200)


def field(rng, disc, *, fwhm=3.0, n=60, gap=None, hole=0.35, shape=SHAPE, brightest=5.6):
    star = fine_star(disc, obstruction=hole, fwhm_px=fwhm)
    size = np.hypot(0.75 * disc, 0.6 * fwhm)
    gap = gap or 6 * size + 6
    places = spread_places(rng, shape, n, gap=gap, rim=2 * size + 4)
    area = np.pi * (1.4 * size) ** 2
    # From signal-to-noise ratio 20 (in the best circle) up.
    least = 20 * 10.0 * np.sqrt(area) / 0.72 * 1.3
    fluxes = 10 ** rng.uniform(np.log10(least), max(np.log10(least) + 0.3, brightest), n)
    image, drawn = draw(shape, places, fluxes, star, noise=10.0, rng=rng)
    return image, drawn, size


def assert_each_once(found, drawn, size):
    """Every star has one detection near its centre and no second one within its light."""
    tree = cKDTree(np.stack([found["x"].value, found["y"].value], 1))
    gap = tree.query(drawn)[0]
    crowd = [len(q) for q in tree.query_ball_point(drawn, 2.0 * size + 2)]
    assert (gap < 0.5 * size + 1).all(), f"missing: {drawn[gap >= 0.5 * size + 1]}"
    assert max(crowd) == 1
    assert len(found) <= len(drawn) + 1


@pytest.mark.parametrize(
    ("disc", "fwhm", "n"),
    [(0, 1.3, 60), (0, 2.2, 60), (0, 5, 60), (4, 3, 60), (9, 3, 60), (20, 3, 25), (42, 3, 8)],
)
@pytest.mark.parametrize("hole", [0.0, 0.35])
def test_every_isolated_star_is_found_once_whatever_its_size(disc, fwhm, n, hole):
    rng = np.random.default_rng(round(disc * 7 + fwhm * 10))
    image, drawn, size = field(rng, disc, fwhm=fwhm, n=n, hole=hole, brightest=5.9)
    assert_each_once(find_stars(image), drawn, size)


@pytest.mark.parametrize("disc", [0.0, 12.0])
def test_hot_pixels_cosmic_rays_columns_and_trails_are_not_stars(disc):
    rng = np.random.default_rng(30)
    image, drawn, size = field(rng, disc, n=40)
    rows, columns = rng.integers(0, SHAPE[0], 60), rng.integers(0, SHAPE[1], 60)
    image[rows, columns] += 10 ** rng.uniform(2.2, 4.5, 60)
    for _ in range(8):  # cosmic rays: thin tracks
        t = np.arange(0, rng.uniform(2, 12), 0.3)
        a, x, y = rng.uniform(0, np.pi), rng.uniform(50, 1100), rng.uniform(50, 800)
        track = np.unique(np.rint([y + t * np.sin(a), x + t * np.cos(a)]).astype(int), axis=1)
        image[track[0], track[1]] += 3000
    image[:, 777] += 150  # a bad column
    x = np.arange(SHAPE[1])
    y = np.rint(100 + 0.4 * x).astype(int)
    for k in (-1, 0, 1):  # a satellite trail three pixels wide
        image[np.clip(y + k, 0, SHAPE[0] - 1), x] += 250
    found = find_stars(image)
    places = np.stack([found["x"].value, found["y"].value], 1)
    clear = np.abs(drawn[:, 0] - 777) > 3 * size + 5
    clear &= np.abs(drawn[:, 1] - 100 - 0.4 * drawn[:, 0]) > 3 * size + 8
    gap = cKDTree(places).query(drawn[clear])[0]
    assert np.mean(gap < 0.5 * size + 1) >= 0.95
    strangers = cKDTree(drawn).query(places)[0] > size + 2
    assert strangers.sum() <= 1


def test_the_size_is_guessed_well_enough_to_start_from():
    for disc, truth in ((0.0, 1.9), (9.0, 6.9), (20.0, 15.1)):
        image, _, _ = field(np.random.default_rng(31), disc, n=20)
        found = survey(image)[1]
        assert 0.7 < found.radius_px / truth < 1.4


def test_a_lone_doughnut_that_fills_its_frame_is_one_star():
    rng = np.random.default_rng(32)
    star = fine_star(60.0, obstruction=0.3, fwhm_px=4.0)
    image, _ = draw((201, 201), [(100.0, 98.0)], [2e6], star, noise=5.0, rng=rng)
    found = find_stars(image)
    assert len(found) == 1
    assert abs(found["x"].value[0] - 100) < 3
    assert abs(found["y"].value[0] - 98) < 3


def test_an_empty_frame_gives_an_empty_table_with_the_same_columns():
    empty = find_stars(np.random.default_rng(33).normal(500, 8, (300, 400)))
    some = find_stars(field(np.random.default_rng(34), 0.0, n=5)[0])
    assert len(empty) <= 1
    assert empty.colnames == some.colnames
    assert empty["x"].unit == some["x"].unit


def test_a_constant_frame_has_no_stars():
    assert len(find_stars(np.full((200, 200), 1000, np.uint16))) == 0


def test_a_frame_must_have_two_axes():
    with pytest.raises(ValueError, match="'image' must be 2-D"):
        find_stars(np.zeros(7))
