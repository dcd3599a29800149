"""The growth curve found behind the light of stars."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import gamma

from starsize.optics import moffat_half_flux_radius
from starsize.stars.bank_fit import Light
from starsize.stars.growth import growth_curve

RADII = np.array([0.4, 0.8, 1.2, 1.6, 2.0, 2.4, 2.8, 3.3, 4.0, 5.0, 6.5, 8.5, 11.0])
RING = (11.0, 16.0)
ALPHA, BETA = 4.0, 3.2
TRUTH = moffat_half_flux_radius(ALPHA, BETA)


def moffat_share(r):
    return 1 - (1 + (r / ALPHA) ** 2) ** (1 - BETA)


def light(flux, noise, *, sky=0.0, rng=None):
    area = np.pi * np.diff(RADII**2, prepend=0.0)
    steps = flux * np.diff(moffat_share(RADII), prepend=0.0) + sky * area
    variance = noise**2 * area
    ring_area = np.pi * (RING[1] ** 2 - RING[0] ** 2)
    ring = flux * (moffat_share(RING[1]) - moffat_share(RING[0])) / ring_area + sky
    ring_sigma = noise / np.sqrt(ring_area)
    if rng is not None:
        steps = steps + rng.normal(size=steps.size) * np.sqrt(variance)
        ring += rng.normal() * ring_sigma
    return Light(RADII, steps, variance, RING, ring, ring_sigma)


@pytest.mark.parametrize("sky", [0.0, 3.0, -2.0])
@pytest.mark.parametrize("guess", [1.6, 2.5, 3.6])
def test_bright_light_gives_its_own_curve_whatever_the_guess_and_the_sky(sky, guess):
    curve = growth_curve(light(1e6, 2.0, sky=sky), guess_px=guess)
    # Closed forms of the Moffat star; the wings beyond the ring are taken from the bank.
    assert_allclose(curve.radius_px, TRUTH, rtol=0.005)
    assert_allclose(curve.at(RADII), moffat_share(RADII), atol=0.006)


def test_faint_light_gives_a_sane_curve():
    found = [
        growth_curve(light(2000.0, 10.0, rng=np.random.default_rng(seed)), guess_px=2.5).radius_px
        for seed in range(40)
    ]
    # Signal-to-noise ratio about 35: one radius is good to 5 %, the median of 40 to one.
    assert_allclose(np.median(found), TRUTH, rtol=0.03)
    assert np.std(found) < 0.1 * TRUTH


def test_no_light_no_curve():
    assert growth_curve(light(-500.0, 1.0), guess_px=2.0) is None


def test_a_small_blur_swells_a_gaussian_as_its_variance_says():
    # r50^2 = 2 ln 2 sigma^2, so a variance v widens r50 by v / (2 sigma^2).
    sigma = 3.0
    share = 1 - np.exp(-0.5 * (np.linspace(0.3, 14, 40) / sigma) ** 2)
    radii = np.linspace(0.3, 14, 40)
    steps = 1e6 * np.diff(share, prepend=0.0)
    flat = Light(radii, steps, np.ones(40), (14.0, 18.0), 0.0, 0.01)
    curve = growth_curve(flat, guess_px=3.5)
    assert_allclose(curve.swelling(0.25), 0.25 / (2 * sigma**2), rtol=0.1)


def test_the_mean_radius_of_the_curve_is_that_of_the_star():
    # Moffat: mean r = alpha sqrt(pi) Gamma(beta - 3/2) / (2 Gamma(beta - 1)) (derived).
    curve = growth_curve(light(1e7, 1.0), guess_px=2.5)
    mean = ALPHA * np.sqrt(np.pi) * gamma(BETA - 1.5) / (2 * gamma(BETA - 1))
    # The far wings weigh heavily in a mean: what the bank adds is good to a few per cent.
    assert_allclose(curve.mean_radius(), mean, rtol=0.03)
