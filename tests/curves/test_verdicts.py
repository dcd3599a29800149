import numpy as np
from numpy.testing import assert_allclose
from scipy.stats import norm, t as student

from starsize.curves import fit_curves
from starsize.curves.verdicts import SIGMA1, SIGMA2, matching_dof, quantiles

from .helpers import at_positions


def night(scatter_steps, seed):
    """Five sweeps; the camera misses each position by so much."""
    rng = np.random.default_rng(seed)
    position = np.linspace(820, 1180, 13)
    return [
        at_positions(
            position, best=1000 + 4.0 * k, slope=0.05, floor=2.0, jitter=0.04, star=0.002, rng=rng,
            name=f"sweep-{k}", band=band, shift=scatter_steps * rng.standard_normal(13),
        )
        for k, band in enumerate(["L", "R", "G", "Ha", "OIII"])
    ]  # fmt: skip


def test_how_exactly_positions_are_reached_is_read_off_the_wings():
    found = fit_curves(night(3.0, seed=1)).placement_steps
    assert abs(found.value - 3.0) < 3 * found.sigma
    assert found.sigma < 1.0


def test_a_focuser_without_scatter_gets_no_large_one():
    found = fit_curves(night(0.0, seed=2)).placement_steps
    assert not found.value > 1.2


def interval(weight, mean, sigma, coverage):
    return quantiles(weight, mean, sigma, at=np.array([1 - coverage, 1 + coverage]) / 2)


def test_one_normal_has_the_intervals_of_the_textbook():
    one = np.ones(1)
    for coverage, width in ((SIGMA1, 1.0), (SIGMA2, 2.0)):
        found = interval(one, 3 * one, 0.5 * one, coverage)
        assert_allclose(found, [3 - 0.5 * width, 3 + 0.5 * width], atol=1e-6)


def test_two_far_normals_are_both_inside_the_wide_interval():
    low, high = interval(np.array([0.9, 0.1]), np.array([0.0, 50.0]), np.ones(2), SIGMA2)
    assert low < -1.5
    assert high > 49


def test_degrees_of_freedom_are_read_off_the_ratio_of_the_intervals():
    for dof in (2.0, 4.0, 9.0, 60.0):
        half68 = student.ppf(0.5 + SIGMA1 / 2, dof)
        half95 = student.ppf(0.5 + SIGMA2 / 2, dof)
        assert_allclose(matching_dof(half68, half95), dof, rtol=0.02)


def test_quantiles_of_ragged_mixtures_have_their_probability():
    """Far parts, needles and wide ones, and parts of no weight; distribution by SciPy."""
    rng = np.random.default_rng(3)
    for _ in range(60):
        count = rng.integers(1, 40)
        weight = rng.dirichlet(np.full(count, 0.3))
        mean = rng.choice([0.01, 1.0, 40.0]) * rng.standard_normal(count)
        sigma = np.exp(rng.choice([0.1, 2.0]) * rng.standard_normal(count))
        at = np.array([0.001, 0.16, 0.5, 0.84, 0.999])
        found = quantiles(weight, mean, sigma, at=at)
        assert_allclose(norm.cdf(found[:, None], mean, sigma) @ weight, at, atol=1e-8)
