"""The colour verdict holds its level, and the compromise is where it should be."""

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from starsize.comparison import colour_verdict, compromise_position


@pytest.mark.parametrize(
    ("best", "sigma", "word"),
    [
        ([0, 5, 10], 1.0, "together"),  # 10 apart, zones reach over 16
        ([0, 5, 30], 1.0, "apart"),
        ([0, 5, 16], 1.0, "cannot tell"),
        ([0, 5, 10], 6.0, "cannot tell"),
        ([0, 5, 60], 6.0, "apart"),
    ],
)
def test_the_verdict_on_plain_cases(best, sigma, word):
    assert colour_verdict(best, sigma**2 * np.eye(3), [8, 8, 8]) == word


def test_one_filter_alone_is_together_with_itself():
    assert colour_verdict([5.0], [[1.0]], [8.0]) == "together"


@pytest.mark.parametrize(
    ("best", "forbidden"),
    [
        # Seven colours in one place whose zones touch none of the others' errors: never apart.
        (np.zeros(7), "apart"),
        # One pair exactly at the limit: neither word may come up in more than 5 %.
        (np.array([0, 0, 0, 0, 0, 0, 4.0]), "apart"),
        (np.array([0, 2, 2, 2, 2, 2, 4.0]), "together"),
    ],
)
def test_the_wrong_word_comes_up_in_at_most_5_percent_at_the_limit(best, forbidden):
    rng = np.random.default_rng(2)
    trials = [
        colour_verdict(best + rng.standard_normal(7), np.eye(7), np.full(7, 2.0))
        for _ in range(300)
    ]
    # 5 % of 300 is 15; 24 is three binomial sigmas above.
    assert trials.count(forbidden) <= 24


def test_the_compromise_is_the_minimax_position():
    rng = np.random.default_rng(3)
    for _ in range(20):
        best, zone = rng.uniform(0, 100, 6), rng.uniform(3, 20, 6)
        found = minimize_scalar(
            lambda p, b=best, z=zone: np.max(np.abs(b - p) / z),
            bounds=(0, 100),
            method="bounded",
            options={"xatol": 1e-9},
        )
        assert compromise_position(best, zone) == pytest.approx(found.x, abs=1e-4)
