"""A night of ordinary exposures: what the telescope, the air and the observer do over hours.

Only the hidden truth is made here. ``long_night_points`` turns it into radii, ``long_night_frames``
into frames.
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class LongNightPlan:
    """What happens in a night of exposures; zones are those of 550 nm, plus is outward.

    Attributes
    ----------
    frames : int
    exposure_s, interval_s : float
    order : tuple of str
        Filters, ``block`` frames of each, again and again.
    start_zones : float
        Standard deviation of the defocus at the start, and after each refocusing.
    cooling_degC : float
        Fall of the temperature over the night, fastest at its start.
    zones_per_degC : float
        How far best focus moves outward for each degree that the tube warms.
    zones_per_deg_altitude : float
        How far best focus moves outward for each degree that the telescope rises.
    walk_zones : float
        How far focus wanders beside that, per square root of an hour.
    refocus_each : int
        The observer focuses anew before every so many frames; 0 for never.
    slip_frame, slip_zones : int, float
        From this frame on the camera stands ``slip_zones`` further out; no slip where negative.
    wrong_filter, wrong_zones : str, float
        The observer's table moves this filter so far too far out.
    wander, jitter : float
        Of ln seeing: slow part (correlated over an hour), and from frame to frame.
    trend : float
        What ln seeing gains from the first frame to the last.
    airmass : tuple of float
        From the start to the end, evenly; seeing grows as airmass^0.6, and the altitude is
        arcsin(1 / X).
    clouds, winds : int
        Number of episodes, 3 to 8 frames each.
    wind_px : tuple of float
        Length of the smear of a frame in the wind, from and to.
    moon : float
        Moonlight at the end of the night, over the dark sky.
    flip_frame : int
        Meridian flip before this frame; none where negative.
    """

    frames: int = 60
    exposure_s: float = 240.0
    interval_s: float = 300.0
    order: tuple[str, ...] = ("L", "R", "G", "B")
    block: int = 5
    start_zones: float = 0.3
    cooling_degC: float = 0.0
    zones_per_degC: float = 0.0
    zones_per_deg_altitude: float = 0.0
    walk_zones: float = 0.0
    refocus_each: int = 0
    slip_frame: int = -1
    slip_zones: float = 0.0
    wrong_filter: str = ""
    wrong_zones: float = 0.0
    wander: float = 0.12
    jitter: float = 0.03
    trend: float = 0.0
    airmass: tuple[float, ...] = (1.0, 1.0)
    clouds: int = 0
    winds: int = 0
    wind_px: tuple[float, float] = (1.5, 4.0)
    moon: float = 0.0
    flip_frame: int = -1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LongNight:
    """The truth of a night, one entry a frame (K,).

    Attributes
    ----------
    filters : tuple of str
    hours, temperature_degC, altitude_deg : (K,) arrays
    moved_zones : (K,) array
        What the observer moved, counted from the first frame, without the offsets of filters.
    focus_zones : (K,) array
        Defocus of the telescope.
    defocus_zones : (K,) array
        The same and what the filter's offset is off.
    seeing : (K,) array
        Over that of the scene.
    cloud : (K,) array
        Share of light lost.
    smear_px : (K, 2) array
    glow : (K,) array
        Sky over the dark one.
    dither_px : (K, 2) array
    flipped : (K,) bool array
    """

    filters: tuple[str, ...]
    hours: np.ndarray
    temperature_degC: np.ndarray
    altitude_deg: np.ndarray
    moved_zones: np.ndarray
    focus_zones: np.ndarray
    defocus_zones: np.ndarray
    seeing: np.ndarray
    cloud: np.ndarray
    smear_px: np.ndarray
    glow: np.ndarray
    dither_px: np.ndarray
    flipped: np.ndarray


def live_through(plan: LongNightPlan, *, seed: int) -> LongNight:
    """Let a night happen.

    Examples
    --------
    >>> night = live_through(LongNightPlan(frames=6, block=2), seed=1)
    >>> night.filters
    ('L', 'L', 'R', 'R', 'G', 'G')
    """
    rng = np.random.default_rng([seed, 61])
    count = plan.frames
    number = np.arange(count)
    hours = number * plan.interval_s / 3600
    filters = tuple(plan.order[k // plan.block % len(plan.order)] for k in number)
    length = max(float(hours[-1]), 1e-9)
    # A tube cools towards the air's temperature: fast at first.
    fall = (1 - np.exp(-2 * hours / length)) / (1 - np.exp(-2))
    warm = 10.0 - plan.cooling_degC * fall + 0.03 * rng.standard_normal(count)
    altitude = np.degrees(np.arcsin(1 / _airmass(plan)))
    drift = plan.zones_per_degC * plan.cooling_degC * fall
    drift = drift - plan.zones_per_deg_altitude * (altitude - altitude[0])
    slip = np.where((number >= plan.slip_frame) & (plan.slip_frame >= 0), plan.slip_zones, 0.0)
    moved, focus = _focused(plan, drift + slip + _walk(plan, hours, seed), rng)
    wrong = np.array([plan.wrong_zones if f == plan.wrong_filter else 0.0 for f in filters])
    return LongNight(
        filters=filters,
        hours=hours,
        temperature_degC=warm,
        altitude_deg=altitude,
        moved_zones=moved,
        focus_zones=focus,
        defocus_zones=focus + wrong,
        seeing=_seeing(plan, hours, rng),
        cloud=_episodes(plan.clouds, count, rng) * rng.uniform(0.3, 0.95, count),
        smear_px=_wind(plan, rng),
        glow=1 + plan.moon * np.clip(2 * number / count - 1, 0, None),
        dither_px=rng.uniform(-8, 8, (count, 2)),
        flipped=(number >= plan.flip_frame) & (plan.flip_frame >= 0),
    )


def _focused(
    plan: LongNightPlan, away: np.ndarray, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """What the observer moves in all, and the defocus that is left."""
    moved, focus, stands = np.zeros(away.size), np.zeros(away.size), 0.0
    begin = plan.start_zones * rng.standard_normal()
    for k, zones in enumerate(away):
        if plan.refocus_each and k and k % plan.refocus_each == 0:
            stands = plan.start_zones * rng.standard_normal() - begin - zones
        moved[k], focus[k] = stands, begin + zones + stands
    return moved, focus


def _walk(plan: LongNightPlan, hours: np.ndarray, seed: int) -> np.ndarray:
    steps = np.random.default_rng([seed, 62]).standard_normal(hours.size)
    return np.cumsum(plan.walk_zones * np.sqrt(np.diff(hours, prepend=hours[0])) * steps)


def _seeing(plan: LongNightPlan, hours: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    slow = np.zeros(hours.size)
    slow[0] = plan.wander * rng.standard_normal()
    for k in range(1, hours.size):
        keep = np.exp(-(hours[k] - hours[k - 1]))
        slow[k] = keep * slow[k - 1] + plan.wander * np.sqrt(1 - keep**2) * rng.standard_normal()
    part = np.linspace(0, 1, hours.size)
    log = slow + plan.jitter * rng.standard_normal(hours.size) + plan.trend * part
    return np.asarray(np.exp(log) * _airmass(plan) ** 0.6)


def _airmass(plan: LongNightPlan) -> np.ndarray:
    part, knots = np.linspace(0, 1, plan.frames), np.linspace(0, 1, len(plan.airmass))
    return np.interp(part, knots, plan.airmass)


def _wind(plan: LongNightPlan, rng: np.random.Generator) -> np.ndarray:
    blows = _episodes(plan.winds, plan.frames, rng)
    length = blows * rng.uniform(*plan.wind_px, plan.frames)
    angle = rng.uniform(0, np.pi) + 0.2 * rng.standard_normal(plan.frames)
    return np.column_stack([length * np.cos(angle), length * np.sin(angle)])


def _episodes(count: int, frames: int, rng: np.random.Generator) -> np.ndarray:
    """1 during the episodes, else 0."""
    during = np.zeros(frames)
    for _ in range(count):
        start, length = rng.integers(2, max(frames - 8, 3)), rng.integers(3, 9)
        during[start : start + length] = 1
    return during
