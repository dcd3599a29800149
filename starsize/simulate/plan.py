"""What the observer of a simulated night does, and what follows for time and temperature."""

from dataclasses import dataclass

import numpy as np

from .scene import Scene


@dataclass(frozen=True, slots=True, kw_only=True)
class NightPlan:
    """What the observer does.

    Attributes
    ----------
    order : tuple of str
        The filter of each sweep. For a colour camera any of its colours.
    positions, spacing_steps : int
        Positions per sweep and their distance; the middle one lies near best focus.
    miscentre_steps : float
        Standard deviation of the middle position about best focus.
    rising : bool
        True if the focuser count rises through each sweep.
    take_up : bool
        True if the focuser first runs past the first position, so that play is taken up.
    start : str
        Beginning of the first exposure, ISO 8601, UTC.
    interval_s, overhead_s : float
        From one sweep's beginning to the next, and between the frames of a sweep.
    warm_degC, cold_degC : float
        Temperature of the tube at the beginning and at the end of the night.
    dither_px, drift_px_per_h : float
        Scatter of the pointing from sweep to sweep, and steady drift along x and y.
    flip_before : int
        Number (from 0) of the first sweep after the meridian flip; -1 for none.
    wind_px : tuple of float
        Least and greatest length of the line over which wind draws the stars of a frame out.
    cloud : float
        How thick clouds are that pass: the optical depth is this times the square of what a normal
        deviate, correlated over four frames, is above 0.
    satellites : float
        Mean number of satellites' trails in a frame.
    """

    order: tuple[str, ...] = ("L", "R", "G", "B", "L")
    positions: int = 11
    spacing_steps: int = 20
    miscentre_steps: float = 5.0
    rising: bool = True
    take_up: bool = True
    start: str = "2031-02-03T20:10:00"
    interval_s: float = 900.0
    overhead_s: float = 6.0
    warm_degC: float = 10.0
    cold_degC: float = 10.0
    dither_px: float = 6.0
    drift_px_per_h: float = 4.0
    flip_before: int = -1
    wind_px: tuple[float, float] = (0.0, 0.0)
    cloud: float = 0.0
    satellites: float = 0.0


def cadence_s(scene: Scene, plan: NightPlan, name: str) -> float:
    """Seconds from one frame's beginning to the next."""
    return scene.filters[name].exposure_s + plan.overhead_s


def tube_degC(plan: NightPlan, time_s: float) -> float:
    """The tube cools fast at first, then ever more slowly, as after sunset."""
    whole = max(len(plan.order) * plan.interval_s, 1.0)
    fallen = (1 - np.exp(-1.5 * time_s / whole)) / (1 - np.exp(-1.5))
    return float(plan.warm_degC + (plan.cold_degC - plan.warm_degC) * fallen)


def count_at(scene: Scene, plan: NightPlan, best: float, temperature_degC: float) -> float:
    """Count at which the camera stands at best focus, given the direction of the sweep."""
    drift = scene.focuser.steps_per_degC * (temperature_degC - scene.focuser.home_degC)
    return best + drift - (0.0 if plan.rising else scene.focuser.backlash_steps)


def sweep_positions(plan: NightPlan, middle: int) -> list[int]:
    """Positions of one sweep in the order of the moves."""
    offsets = plan.spacing_steps * (np.arange(plan.positions) - (plan.positions - 1) / 2)
    positions = [round(middle + float(offset)) for offset in offsets]
    return positions if plan.rising else positions[::-1]
