"""Sweeps of the plainest star, an evenly lit disc under Moffat seeing, at the level of radii."""

from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from .transfer import encircled, moffat_transfer, panel_nodes, ray_transfer

_FARTHEST = 40.0


def disc_radius_px(
    position_steps: np.ndarray,
    best_steps: float,
    floor_px: np.ndarray | float,
    *,
    slope_px_per_step: float,
    obstruction: float = 0.0,
) -> np.ndarray:
    """Half-flux radius of a disc or annulus of straight rays under seeing, pixels.

    Parameters
    ----------
    position_steps, floor_px : array_like
        Positions, and the half-flux radius in focus of each frame.
    best_steps, slope_px_per_step : float
        Slope of the straight wings.
    obstruction : float

    Notes
    -----
    Accuracy: 0.01 % of its own quadrature up to 40 floors of defocus; beyond, the disc alone.
    """
    floor = np.asarray(floor_px, float)
    away = np.abs(slope_px_per_step * (np.asarray(position_steps, float) - best_steps) / floor)
    near = _table(obstruction)(np.minimum(away, _FARTHEST))
    return floor * np.where(away < _FARTHEST, near, away)


@lru_cache(maxsize=4)
def _table(obstruction: float) -> CubicSpline:
    """Radius over the floor against defocus in floors."""
    u = np.concatenate([np.linspace(0, 4, 41), np.geomspace(4.2, _FARTHEST, 30)])
    share = np.sqrt((1 + obstruction**2) / 2)
    nodes, weight = panel_nodes(5.0, 120)
    air = moffat_transfer(nodes, fwhm_um=1.0, beta=3.5)

    def radius(disc: float) -> float:
        star = air * ray_transfer(nodes, disc, focal_ratio=0.5, obstruction=obstruction)
        return float(
            brentq(lambda r: encircled(r, nodes, weight, star) - 0.5, 1e-3, 2 * disc + 9, xtol=1e-9)
        )

    floor = radius(0.0)
    return CubicSpline(u, [radius(x * floor / share) / floor for x in u])
