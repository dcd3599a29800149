"""The focuser of a simulation: play, scatter, slip and the tube that shrinks in the cold."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class FocuserPhysics:
    """How commanded positions become places of the camera.

    Attributes
    ----------
    um_per_step : float
        Travel of the camera per step; always positive.
    outward : 1 or -1
        1 if the count rises while the camera moves away from the telescope.
    home_steps : float
        Position at which the bare d line is in focus at ``home_degC``.
    home_degC, steps_per_degC : float
        Every focus position moves by ``steps_per_degC`` for each degree the tube warms.
    backlash_steps : float
        Play: after a rising count turns to falling, this many steps pass before the camera moves.
        While the count rises the camera stands where the count says.
    scatter_steps : float
        Standard deviation of where the camera comes to rest.
    slip_after, slip_steps : int, float
        From the move with this number (from 0) on, the camera stands ``slip_steps`` lower than
        the count says; no slip where ``slip_after`` is negative.
    """

    um_per_step: float = 4.0
    outward: int = 1
    home_steps: float = 12000.0
    home_degC: float = 10.0
    steps_per_degC: float = 0.0
    backlash_steps: float = 0.0
    scatter_steps: float = 0.0
    slip_after: int = -1
    slip_steps: float = 0.0

    def focus_steps(self, shift_um: float, temperature_degC: float) -> float:
        """Position at which light that focuses ``shift_um`` outward of the d line is sharp."""
        drift = self.steps_per_degC * (temperature_degC - self.home_degC)
        return self.home_steps + drift + self.outward * shift_um / self.um_per_step

    def outward_um(self, camera_steps: float, temperature_degC: float) -> float:
        """Place of the camera, in micrometres outward from the focus of the bare d line."""
        away = camera_steps - self.focus_steps(0.0, temperature_degC)
        return self.outward * self.um_per_step * away


def camera_places(
    physics: FocuserPhysics, commanded: Sequence[float], *, rng: np.random.Generator, start: float
) -> np.ndarray:
    """Where the camera rests after each commanded position, in steps of a rising count.

    The play operator: the camera stands anywhere between the count and ``backlash_steps`` above
    it and only moves when one of the two pushes it.

    Parameters
    ----------
    physics : FocuserPhysics
    commanded : sequence of float
        Positions in the order of the moves.
    rng : numpy Generator
        For the scatter.
    start : float
        Where the camera stands before the first move.

    Returns
    -------
    (n,) float array

    Examples
    --------
    >>> play = FocuserPhysics(backlash_steps=30)
    >>> camera_places(play, [100, 200, 190, 150], rng=np.random.default_rng(1), start=0)
    array([100., 200., 200., 180.])
    """
    places = []
    camera = start
    for position in commanded:
        camera = min(max(camera, position), position + physics.backlash_steps)
        places.append(camera)
    rest = np.asarray(places, dtype=float)
    rest += physics.scatter_steps * rng.standard_normal(rest.size)
    if physics.slip_after >= 0:
        rest[physics.slip_after :] -= physics.slip_steps
    return rest
