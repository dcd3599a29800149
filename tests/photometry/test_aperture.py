"""Radii and their uncertainties against closed forms."""

import numpy as np
import pytest

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
