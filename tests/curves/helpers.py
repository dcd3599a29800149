"""Invented sweeps for the tests of the curves, by the simulator's physics."""

import numpy as np

from starsize.curves import FocusCurve, focus_curve
from starsize.simulate.disc import disc_radius_px


def sweep(
    *,
    best: float = 1000.0,
    positions: int = 9,
    half: float = 160.0,
    slope: float = 0.05,
    floor: float = 2.0,
    jitter: float = 0.05,
    star: float = 0.005,
    seed: int = 1,
    middle: float = 1000.0,
    name: str = "sweep-1",
    band: str = "L",
) -> FocusCurve:
    """A sweep of a disc under seeing, which changes the floor of every frame."""
    rng = np.random.default_rng(seed)
    position = np.linspace(middle - half, middle + half, positions)
    return at_positions(
        position, best=best, slope=slope, floor=floor, jitter=jitter, star=star, rng=rng,
        name=name, band=band,
    )  # fmt: skip


def at_positions(
    position, *, best, slope, floor, jitter, star, rng, name="sweep-1", band="L", shift=0.0
):
    """The same at given positions; the camera stands ``shift`` steps from where the count says."""
    floors = floor * np.exp(jitter * rng.standard_normal(position.size))
    radius = disc_radius_px(position + shift, best, floors, slope_px_per_step=slope)
    sigma = star * radius
    noisy = radius + sigma * rng.standard_normal(radius.size)
    return focus_curve(position, noisy, sigma, id=name, filter=band)
