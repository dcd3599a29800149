"""The radius of an image: no single star and no speck leads."""

import numpy as np
import pytest

from starsize.photometry import measure_image

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
