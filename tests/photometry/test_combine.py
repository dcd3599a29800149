"""The radius of an image: no single star and no speck leads."""

import numpy as np
import pytest

from starsize.photometry import StarFlag, measure_image
from starsize.photometry.combine import combine, robust_mean

from .fields import moffat, moffat_field, noisy


def test_the_frame_states_a_true_uncertainty():
    fluxes = np.full(16, 8e3)
    light, _ = moffat_field((420, 420), 16, 7, fluxes=fluxes, half_px=2.5, gap=60)
    found = [measure_image(noisy(light, seed), gain_e_per_adu=1.0).radius for seed in range(16)]
    values = np.array([f.radius_px for f in found])
    stated = np.median([f.radius_sigma_px for f in found])
    assert 0.4 < values.std() / stated < 1.3


def test_a_lone_star_leads_the_specks_beside_it():
    light = moffat((300, 300), 150.2, 140.7, 2e6, half_px=5.4)
    image = noisy(light, 6)
    for k, (x, y) in enumerate([(40, 60), (250, 80), (90, 250), (200, 230)]):
        image += moffat(image.shape, x, y, 450.0 + 20 * k, half_px=0.7)
    radius = measure_image(image, gain_e_per_adu=1.0).radius
    assert radius.radius_px == pytest.approx(5.4, rel=0.02)


def test_errors_of_one_sign_in_all_stars_do_not_average_out():
    rng = np.random.default_rng(4)
    radius = 20 * np.exp(0.1 * rng.standard_normal(400))
    own = np.full(400, 0.2)
    value, single, _ = robust_mean(radius, own, 0.0, alike=True)
    same, mean, _ = robust_mean(radius, own, 0.0)
    assert value == same == pytest.approx(20, rel=0.02)
    # Of a normal distribution: its width, and that of the mean of 400.
    assert single == pytest.approx(2.0, rel=0.1)
    assert mean == pytest.approx(2.0 / 20, rel=0.1)


def test_stars_that_all_overlap_state_what_they_scatter():
    fluxes = np.full(16, 8e3)
    light, _ = moffat_field((420, 420), 16, 7, fluxes=fluxes, half_px=2.5, gap=60)
    measured = measure_image(noisy(light, 1), gain_e_per_adu=1.0)
    stars, common = measured.stars, np.zeros((len(measured.stars), 3))

    def stated(flag):
        stars.flags[:] = int(flag)
        return combine(stars, common, measured.sky, len(stars)).radius_sigma_px

    # Sixteen stars of one light: their mean is four times as sure, where errors are their own.
    assert stated(StarFlag.BLENDED) == pytest.approx(4 * stated(StarFlag(0)), rel=0.2)
