"""The growth of light: the table against closed forms, and what the law says of its own doubt."""

import numpy as np
import pytest

from starsize.photometry.law import SHARES, growth_bank, learn_law

BLUR = 0.05
STAR = np.array([0.3, 0.6, 0.8, 1.0, 1.2, 1.4, 1.7, 2.0, 2.4, 2.8, 3.4, 4.0])


def _learned(radii, growth, blur=BLUR):
    sigma = np.full(len(radii), 1e-4)
    return learn_law(radii, growth, sigma, ring=(5.0, 7.0), sky_sigma=1e-5, blur=blur)


def test_shares_of_the_table_rise_to_all_the_light_and_half_lies_inside_one():
    bank = growth_bank()
    assert np.all(np.diff(bank.share[0], axis=1) >= 0)
    # Less than a pixel wide, what lies between the pixels rings about the truth.
    assert np.all(np.diff(bank.share, axis=2) > -0.02)
    assert bank.share[:, :, 20] == pytest.approx(0.5, abs=1e-3)
    assert bank.weight.sum() == pytest.approx(1)


@pytest.mark.parametrize("half_px", [1.0, 1.5, 3.0])
def test_pixels_widen_a_gaussian_by_their_variance(half_px):
    # r_p^2 = -2 ln(1 - p) sigma^2, and variances add; below a pixel sampling adds some more.
    variance = (1 + 1 / 9) / 12
    law = _learned(STAR, 1 - 0.5 ** (STAR**2), blur=variance / (half_px**2 + 1.386 * variance))
    widened = [-2 * np.log(1 - p) for p in SHARES.values()]
    assert law.kappa == pytest.approx(widened, rel=0.25 if half_px == 1 else 0.06)


@pytest.mark.parametrize("beta", [2.5, 3.3, 4.5])
def test_the_law_finds_the_wings_of_a_moffat_star(beta):
    # Closed form: share inside r is 1 - (1 + (r/alpha)^2)^(1-beta).
    alpha2 = 1 / (2 ** (1 / (beta - 1)) - 1)
    share = 1 - (1 + np.r_[STAR, 5.0, 7.0] ** 2 / alpha2) ** (1 - beta)
    seen = share[:-2] - STAR**2 * (share[-1] - share[-2]) / (7.0**2 - 5.0**2)
    assert _learned(STAR, seen, blur=0.0).inside(STAR) == pytest.approx(share[:-2], abs=0.004)


def test_growth_like_no_telescopes_says_how_little_is_known_of_it():
    gaussian = 1 - 0.5 ** (STAR**2)
    assert _learned(STAR, gaussian).sigma.max() < 0.01
    assert _learned(STAR, gaussian + 0.02 * np.sin(4 * STAR)).sigma.min() > 0.005
