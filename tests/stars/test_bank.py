"""The bank of growth curves against closed forms and GalSim."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.stars.bank import GRID, growth_bank


def closest(share, *, above=0.0, below=24.0):
    """Largest gap between a curve and the curve of the bank that comes nearest to it."""
    inside = np.flatnonzero((above <= GRID) & (below > GRID))
    gap = np.abs(growth_bank().share[:, inside] - share[inside])
    return gap.max(axis=1).min()


def test_every_curve_rises_from_nothing_to_all_through_one_half_at_one():
    share = growth_bank().share
    assert (np.diff(share, axis=1) >= 0).all()
    assert_allclose(share[:, 0], 0.0, atol=1e-12)
    assert_allclose(share[:, np.argmin(np.abs(GRID - 1.0))], 0.5, atol=1e-3)
    # What is bent at the rim of a small pupil with a large hole falls off slowly.
    assert share[:, -1].min() > 0.985
    assert_allclose(growth_bank().weight.sum(), 1.0)


def test_a_few_curves_stand_for_all():
    bank = growth_bank()
    assert 50 < len(bank.kinds.weight) < 0.2 * len(bank.weight)


@pytest.mark.parametrize("beta", [2.5, 3.0, 4.8])
def test_in_focus_the_curve_is_that_of_a_moffat_star(beta):
    # Encircled light 1 - (1 + (r/alpha)^2)^(1 - beta), r50 = alpha sqrt(2^(1/(beta-1)) - 1):
    # closed form, as in starsize.optics.
    half = np.sqrt(2 ** (1 / (beta - 1)) - 1)
    assert closest(1 - (1 + (GRID * half) ** 2) ** (1 - beta)) < 5e-4


@pytest.mark.parametrize("hole", [0.0, 0.35, 0.5])
def test_far_from_focus_the_curve_nears_that_of_an_annulus(hole):
    # Geometry: light inside r of an evenly lit annulus goes as r^2 - e^2 R^2; r50 from optics.
    half = np.sqrt((1 + hole**2) / 2)
    x = GRID * half
    annulus = np.clip((np.clip(x, hole, 1) ** 2 - hole**2) / (1 - hole**2), 0, 1)
    # Nine seeing discs out, the rim is still smeared by half of one: a twentieth of the radius.
    assert closest(annulus) < 0.05


@pytest.mark.parametrize(("disc", "hole", "bend"), [(0.0, 0.0, 0.4), (1.75, 0.35, 0.7)])
def test_with_waves_the_curve_is_that_of_a_defocused_pupil(disc, hole, bend):
    # GalSim draws the diffraction image of the pupil by a Fourier transform of its own (Rowe et
    # al. 2015, Astronomy and Computing 10, 121); seeing of full width 1, Moffat beta 3.6. Its
    # defocus is a Zernike coefficient in waves: W020 / (2 sqrt 3), and disc = 4 W020 bend.
    galsim = pytest.importorskip("galsim")
    pupil = galsim.OpticalPSF(
        lam_over_diam=bend, defocus=disc / (4 * bend) / 12**0.5, obscuration=hole
    )
    star = galsim.Convolve(pupil, galsim.Moffat(beta=3.6, fwhm=1.0))
    pixel, size = 0.05, 601
    image = star.drawImage(galsim.ImageD(size, size), scale=pixel, method="no_pixel").array
    steps = pixel * (np.arange(size) - size // 2)
    distance = np.hypot(*np.meshgrid(steps, steps)).ravel()
    order = np.argsort(distance)
    light = np.cumsum(image.ravel()[order])
    half = np.interp(0.5, light, distance[order])
    assert closest(np.interp(GRID * half, distance[order], light), above=0.4, below=6.0) < 0.008
