import numpy as np

from starsize.curves import fit_curves

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
