"""Radii and their uncertainties against closed forms."""

import galsim
import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import ndtr

from starsize.photometry import measure_image

from .fields import NOISE, moffat, moffat_field, noisy, ring


@pytest.mark.parametrize("half_px", [0.85, 1.0, 1.5, 2.5, 5.0])
@pytest.mark.parametrize("beta", [2.5, 3.5, 4.8])
def test_the_radius_is_that_of_all_the_light_as_it_fell(half_px, beta):
    # Closed form: r50 = alpha sqrt(2^(1/(beta-1)) - 1), without pixels and without an aperture.
    fluxes = np.full(25, 40.0 * NOISE * (half_px + 0.7) * 10)
    light, _ = moffat_field((420, 420), 25, 3, fluxes=fluxes, half_px=half_px, beta=beta, gap=60)
    radius = measure_image(noisy(light, 4), gain_e_per_adu=1.0).radius
    assert radius.n_stars >= 22
    assert abs(radius.radius_px / half_px - 1) < 0.012 + 2 * radius.radius_sigma_px / half_px


def test_each_star_states_a_true_uncertainty_of_each_of_its_radii():
    # Closed form: r_p = alpha sqrt((1 - p)^(-1/(beta-1)) - 1).
    fluxes = np.geomspace(4e3, 4e5, 30)
    light, _ = moffat_field((600, 600), 30, 5, fluxes=fluxes, half_px=2.5, gap=70)
    runs = [measure_image(noisy(light, seed), gain_e_per_adu=1.0).stars for seed in range(8)]
    alpha = 2.5 / np.sqrt(2**0.4 - 1)
    for name, share in (("radius30", 0.3), ("radius", 0.5), ("radius80", 0.8)):
        truth = alpha * np.sqrt((1 - share) ** -0.4 - 1)
        values = np.concatenate([getattr(s, name)[:25] for s in runs])
        sigmas = np.concatenate([getattr(s, f"{name}_sigma")[:25] for s in runs])
        assert 0.5 < 1.4826 * np.median(np.abs(values - truth) / sigmas) < 1.3, name


def test_radii_of_30_and_80_per_cent_are_those_of_an_even_ring():
    # r_p^2 = R^2 (e^2 + p (1 - e^2)): closed form of an annulus.
    outer, hole = 22.0, 0.35
    image = noisy(ring((300, 300), 150.3, 149.6, 2e6, outer, hole), 3)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    for name, share in (("radius30_px", 0.3), ("radius_px", 0.5), ("radius80_px", 0.8)):
        true = outer * np.sqrt(hole**2 + share * (1 - hole**2))
        assert getattr(radius, name) == pytest.approx(true, rel=0.01), name


def test_neighbours_too_many_to_set_aside_do_not_teach_wings():
    rng = np.random.default_rng(21)
    light = np.zeros((500, 500))
    for x, y in rng.uniform(0, 500, (400, 2)):
        light += moffat(light.shape, x, y, 2e3 * rng.uniform() ** -1.4, times=3)
    radius = measure_image(noisy(light.clip(max=6e4), 2), gain_e_per_adu=1.0).radius
    assert radius.radius_px == pytest.approx(2.0, rel=0.03)


def _core_with_halo(shape, places, flux, core_px, halo_px, share):
    """Gaussian stars, each with so much of its light in a wide Gaussian halo; pixel sums."""
    image = np.zeros(shape)
    edges = [np.arange(n + 1) - 0.5 for n in shape]
    for x, y in places:
        for sigma, part in ((core_px, 1 - share), (halo_px, share)):
            down, across = (
                np.diff(ndtr((edge - c) / sigma)) for edge, c in zip(edges, (y, x), strict=True)
            )
            image += flux * part * np.outer(down, across)
    return image


@pytest.mark.parametrize("share", [0.0, 0.25, 0.45])
def test_the_bounded_radius_is_right_where_a_halo_lies_below_the_noise(share):
    # Light inside r of a Gaussian: 1 - exp(-r^2 / 2 sigma^2); pixels add their variance.
    rng = np.random.default_rng(2)
    places = rng.uniform(80, 520, (30, 2))
    light = _core_with_halo((600, 600), places, 3e4, 1.6, 16.0, share)
    found = measure_image(noisy(light, 4), gain_e_per_adu=1.0).radius.bounded

    def inside(r):
        wide = np.array([1.6, 16.0]) ** 2 + found.pixel_px2
        return np.array([1 - share, share]) @ (1 - np.exp(-(r**2) / (2 * wide)))

    b, c = found.inner_px, found.outer_px
    level = (inside(c) - inside(b)) / (c**2 - b**2)
    half = 0.5 * (inside(found.total_px) - found.total_px**2 * level)
    true = brentq(lambda r: inside(r) - r**2 * level - half, 0.1, found.total_px)
    assert abs(found.radius_px / true - 1) < 0.004 + 2 * found.sigma_px / true
    assert found.sigma_px < 0.01 * true


@pytest.mark.parametrize("half_px", [0.7, 1.0])
def test_sharp_discs_less_than_two_pixels_wide(half_px):
    # Truth by GalSim: the half-flux radius of its profile as it falls, without pixels.
    rng = np.random.default_rng(3)
    seeing = galsim.Moffat(beta=3.5, half_light_radius=0.25 * half_px)
    star = galsim.Convolve(galsim.TopHat(1.35 * half_px), seeing)
    light = np.zeros((5 * 41, 5 * 41))
    for j, i in np.ndindex(5, 5):
        offset = tuple(rng.uniform(-0.5, 0.5, 2))
        stamp = (1.4e5 * star).drawImage(nx=41, ny=41, scale=1.0, offset=offset).array
        light[41 * j : 41 * j + 41, 41 * i : 41 * i + 41] = stamp
    radius = measure_image(noisy(light, 4), gain_e_per_adu=1.0).radius
    truth = star.calculateHLR(size=512, scale=0.02)
    assert radius.radius_px == pytest.approx(truth, rel=0.02)


def test_the_circle_of_a_frame_holds_the_halo_of_the_stars_that_give_most_light():
    # A lens with colour: 42 % of a bright blue star's light in focus, the rest in an even disc,
    # 2.69 times the star's half-flux radius wide (0.42 + 0.58 / 2.69^2 = 0.5, closed form).
    rng = np.random.default_rng(3)
    shape, disc = (520, 700), 8.0
    light = np.zeros(shape)
    for k in range(48):
        x, y = np.array([80 * (k % 8) + 60, 80 * (k // 8) + 60]) + rng.uniform(-0.5, 0.5, 2)
        if k % 5 == 0:
            light += moffat(shape, x, y, 1.26e5, half_px=1.2)
            light += ring(shape, x, y, 1.74e5, disc, hole=0.0)
        else:
            light += moffat(shape, x, y, 6e3, half_px=1.2)
    bounded = measure_image(noisy(light, 3), gain_e_per_adu=1.0).radius.bounded
    assert disc < bounded.total_px < 1.5 * disc
