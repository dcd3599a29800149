"""The bank of growth curves against closed forms."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.stars import bank
from starsize.stars.bank import GRID, growth_bank


def test_every_curve_rises_from_nothing_to_all_through_one_half_at_one():
    share = growth_bank().share
    assert (np.diff(share, axis=1) >= 0).all()
    assert_allclose(share[:, 0], 0.0, atol=1e-12)
    assert_allclose(share[:, np.argmin(np.abs(GRID - 1.0))], 0.5, atol=1e-3)
    assert share[:, -1].min() > 0.99
    assert_allclose(growth_bank().weight.sum(), 1.0)


@pytest.mark.parametrize("beta", [2.5, 3.5, 4.8])
def test_in_focus_the_curve_is_that_of_a_moffat_star(beta):
    # Encircled light 1 - (1 + (r/alpha)^2)^(1 - beta), r50 = alpha sqrt(2^(1/(beta-1)) - 1):
    # closed form, as in starsize.optics.
    x = np.linspace(0.05, 2.4, 160)
    grid = GRID[GRID < 10]
    alpha = 0.5 / np.sqrt(2 ** (1 / beta) - 1)
    share = 1 - (1 + (x / alpha) ** 2) ** (1 - beta)
    found = bank._on_grid(x, share, beta)[0][: grid.size]
    half = np.sqrt(2 ** (1 / (beta - 1)) - 1)
    assert_allclose(found, 1 - (1 + (grid * half) ** 2) ** (1 - beta), atol=1e-3)
    # And the sum over waves gives the same curve, or one next to it in the bank (beta 3.6 for 3.5).
    closest = np.abs(growth_bank().share[:, : grid.size] - found).max(axis=1).min()
    assert closest < 3e-3


@pytest.mark.parametrize("hole", [0.0, 0.35, 0.5])
def test_far_from_focus_the_curve_nears_that_of_an_annulus(hole):
    # Geometry: light inside r of an evenly lit annulus goes as r^2 - e^2 R^2; r50 from optics.
    half = np.sqrt((1 + hole**2) / 2)
    x = GRID * half
    annulus = np.clip((np.clip(x, hole, 1) ** 2 - hole**2) / (1 - hole**2), 0, 1)
    gap = np.abs(growth_bank().share - annulus).max(axis=1).min()
    # Nine seeing discs out, the rim is still smeared by half of one: a twentieth of the radius.
    assert gap < 0.05
