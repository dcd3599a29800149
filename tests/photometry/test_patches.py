"""Light inside circles about stars anywhere in their patches, against exact circles (sep)."""

from dataclasses import replace

import numpy as np
import pytest
import sep

from starsize.photometry.detect import Peaks
from starsize.photometry.patches import read_patches


def circles(offset, *, refined):
    """Growth about a Gaussian star, over exact circles, its centre so far from the patch's."""
    rng = np.random.default_rng(3)
    n, half = 30, 26
    y, x = np.mgrid[:200, :200]
    image = 100 * np.exp(-0.5 * np.hypot(x - 100, y - 100) ** 2 / 3.0**2) + 1.0
    places = 100 + rng.uniform(-0.5, 0.5, (n, 2))
    peaks = Peaks(*(places - offset).T, np.full(n, 3.0), np.full(n, 50.0))
    alone = [
        read_patches(image, np.zeros((1, 3)), peaks.part(np.array([k])), np.array([0]), half=half)
        for k in range(n)
    ]
    for k, patch in enumerate(alone):
        patch = replace(patch, x=patch.x + offset, y=patch.y + offset)
        radii, light = (patch.refined() if refined else patch).growth(24.0 - offset)
        exact = sep.sum_circle(image, *places[k][:, None].repeat(len(radii), 1), radii, subpix=0)[0]
        yield radii, light[0] / np.maximum(exact, 1e-9) - 1


@pytest.mark.parametrize("offset", [0.0, 6.0])
def test_growth_is_that_of_exact_circles(offset):
    grown = list(circles(offset, refined=False))
    radii, off = grown[0][0], np.array([o for _, o in grown])
    assert np.abs(off[:, radii >= 3]).max() < 0.01
    assert np.abs(off[:, radii >= 3].mean(axis=0)).max() < 0.002


def test_the_finer_grid_goes_over_into_the_pixels_without_a_step():
    for radii, off in circles(0.0, refined=True):
        assert np.all(np.diff(radii) > 0)
        assert np.abs(off[radii >= 3]).max() < 0.01
