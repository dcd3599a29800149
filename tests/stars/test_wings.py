"""The wings of many stars against light drawn with a known profile."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.stars.wings import find_wings

SHAPE, SKY, NOISE, SIZE = (500, 640), 300.0, 5.0, 4.0
#: Core, wide halo with an edge: parts of the light and radii in pixels, as of a lens whose colours
#: focus apart.
PARTS = ((0.7, 4.7), (0.25, 22.0), (0.05, 34.0))


def share_inside(r):
    """Growth of evenly lit discs: the area of a circle over that of the disc (geometry)."""
    return sum(part * np.minimum(r / radius, 1.0) ** 2 for part, radius in PARTS)


def crowded_frame(*, count=70, equal=False, seed=3):
    rng = np.random.default_rng(seed)
    places = rng.uniform((10, 10), (SHAPE[1] - 10, SHAPE[0] - 10), (count, 2))
    flux = np.full(count, 4e4) if equal else 8e3 * rng.uniform(size=count) ** -0.9
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    image = np.full(SHAPE, SKY)
    for (px, py), light in zip(places, flux, strict=True):
        gap = np.hypot(x - px, y - py)
        for part, radius in PARTS:
            inside = np.clip(radius + 0.5 - gap, 0, 1)
            image += light * part * inside / inside.sum()
    return image + NOISE * rng.standard_normal(SHAPE), places, flux


def solve(image, places, flux, **changes):
    asked = {
        "teachers": np.argsort(flux)[::-1][:30],
        "sky": np.full(30, SKY),
        "size_px": SIZE,
        "first_px": 1.7 * SIZE,
        "noise": NOISE,
        "inverse_gain": 0.0,
        "sky_tie": 1e-6,
    }
    return find_wings(image, places, flux * share_inside(2 * SIZE), **(asked | changes))


def expected(wings):
    return np.diff(share_inside(wings.radii)) / share_inside(2 * SIZE)


@pytest.mark.parametrize("seed", [3, 4])
def test_a_wide_halo_is_found_among_neighbours(seed):
    wings = solve(*crowded_frame(seed=seed))
    assert_allclose(wings.share, expected(wings), atol=0.003)
    assert np.abs((wings.share - expected(wings)) / wings.sigma).max() < 4


def test_light_is_followed_until_it_ends():
    wings = solve(*crowded_frame())
    assert wings.radii[-1] > PARTS[-1][1]
    assert abs(wings.share[-1]) < 0.007


def test_a_sky_that_is_off_everywhere_changes_nothing_but_the_sky():
    image, places, flux = crowded_frame()
    wings = solve(image, places, flux)
    off = solve(image, places, flux, sky=np.full(30, SKY - 2.0))
    assert_allclose(off.share, wings.share, atol=0.002)
    assert_allclose(off.sky - wings.sky, 2.0, atol=0.05)


def test_stars_all_alike_cannot_tell_sky_from_light_and_say_so():
    apart = solve(*crowded_frame(), sky_tie=1e-9)
    alike = solve(*crowded_frame(equal=True), sky_tie=1e-9)
    assert alike.sky_doubt > 1.5 * apart.sky_doubt


def test_an_unlisted_star_does_not_spoil_the_wings():
    image, places, flux = crowded_frame()
    brightest = np.argmax(flux)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    px, py = places[brightest] + (14.0, 3.0)
    image += 0.3 * flux[brightest] * np.exp(-((x - px) ** 2 + (y - py) ** 2) / 8) / (8 * np.pi)
    wings = solve(image, places, flux)
    assert_allclose(wings.share, expected(wings), atol=0.006)


def test_dead_pixels_and_the_edge_of_the_frame_are_left_out():
    image, places, flux = crowded_frame()
    image[::9, ::7] = np.nan
    image[:, :40] = np.nan
    brightest = np.argsort(flux)[::-1][:30]
    assert (places[brightest] < 60).any()
    wings = solve(image, places, flux)
    assert_allclose(wings.share, expected(wings), atol=0.005)
