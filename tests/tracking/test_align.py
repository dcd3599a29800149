"""Star lists of two frames brought together: drift, flip, turn, scale, strangers."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from starsize.tracking.align import STILL, Motion, align


def similarity(turn_deg, scale, shift):
    return Motion(scale * np.exp(1j * np.radians(turn_deg)), complex(*shift))


def noise(rng, sigma, n):
    return rng.normal(0, sigma, (2, n)).T @ [1, 1j]


def sky(rng, n=80):
    return rng.uniform(0, 3000, n) + 1j * rng.uniform(0, 2000, n)


@pytest.mark.parametrize(
    ("turn", "scale", "shift"),
    [
        (0.0, 1.0, (0, 0)),
        (0.0, 1.0, (37.5, -61.0)),
        (0.02, 1.004, (-12, 30)),
        (180.0, 1.0, (3000, 2000)),
        (176.5, 0.997, (2990, 2050)),
        (-3.0, 1.0, (80, -40)),
    ],
)
def test_the_motion_is_found_among_strangers_and_noise(turn, scale, shift):
    rng = np.random.default_rng(8)
    reference = sky(rng)
    motion = similarity(turn, scale, shift)
    seen = motion(reference) + noise(rng, 0.3, len(reference))
    # A third of the stars is lost, as many others are new, and the order of brightness shifts.
    seen = np.concatenate([seen[rng.permutation(80)[:55]], sky(rng, 25)])
    seen = seen[np.argsort(np.arange(80) + rng.normal(0, 8, 80))]
    found = align(reference, seen, tolerance_px=3.0)
    assert found is not None
    # 50 stars of 0.3 px place the frame to 0.04 px; four times that at the far corners.
    assert_allclose(found(reference), motion(reference), atol=0.5)


def test_a_mirror_image_is_not_a_match():
    rng = np.random.default_rng(9)
    reference = sky(rng, 40)
    assert align(reference, 3000 - reference.conj(), tolerance_px=2.0) is None


def test_unrelated_fields_do_not_match():
    rng = np.random.default_rng(10)
    assert align(sky(rng, 60), sky(rng, 60), tolerance_px=2.0) is None


@pytest.mark.parametrize(("width", "tolerance"), [(1000, 2.5), (1000, 6.0), (6000, 8.0)])
def test_unrelated_fields_do_not_match_however_crowded(width, tolerance):
    # By chance alone 4 to 26 of these stars can be brought together.
    for seed in range(5):
        rng = np.random.default_rng(seed)
        a, b = (rng.uniform(0, width, (400, 2)) @ [1, 1j] for _ in range(2))
        assert align(a, b, tolerance_px=tolerance) is None


def test_a_crowded_field_out_of_focus_is_still_recognised():
    rng = np.random.default_rng(12)
    reference = rng.uniform(0, 1000, (400, 2)) @ [1, 1j]
    motion = similarity(181.0, 1.0, (990, 1010))
    seen = motion(reference) + noise(rng, 1.0, len(reference))
    seen[rng.permutation(400)[:150]] = rng.uniform(0, 1000, (150, 2)) @ [1, 1j]
    found = align(reference, seen, tolerance_px=6.0)
    assert found is not None
    assert_allclose(found(reference), motion(reference), atol=1.5)


def test_no_stars_no_motion():
    assert align(np.zeros(0), np.ones(3), tolerance_px=3.0) is None


def test_the_way_back_undoes_a_motion():
    motion = similarity(-30, 1.01, (1, 2))
    places = sky(np.random.default_rng(11), 5)
    assert_allclose(STILL(places), places)
    assert_allclose(motion.back()(motion(places)), places)
