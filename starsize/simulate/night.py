"""A night of focus sweeps: what is exposed when, and what is true about it."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np

from ..optics import critical_focus_zone_um
from .blur import true_best_focus
from .exposure import Pointing, Shot, draw_exposure
from .focuser import camera_places
from .headers import Cards, HeaderStyle, frame_cards
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


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepTruth:
    """One sweep: the best focus an ideal observer would have found, at its mean temperature."""

    sweep: int
    filter: str
    rising: bool
    temperature_degC: float
    best_focus_steps: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NightTruth:
    """What is true of a night, for checking what was measured.

    ``best_focus_steps`` is, per filter, the position of the smallest noiseless half-flux radius at
    ``reference_degC``, for the direction of the sweeps; ``offset_steps`` the difference to the
    reference filter; ``zone_steps`` the half-width of the critical focus zone.
    """

    marked: str
    seed: int
    reference: str
    reference_degC: float
    best_focus_steps: dict[str, float]
    offset_steps: dict[str, float]
    zone_steps: dict[str, float]
    um_per_step: float
    steps_per_degC: float
    backlash_steps: float
    thickness_mm: dict[str, float]
    sweeps: tuple[SweepTruth, ...]


class DrawnFrame(NamedTuple):
    """One simulated frame: pixels, header cards (value and comment by keyword) and a name."""

    image: np.ndarray
    cards: Cards
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedShot:
    """One exposure of the night before it is drawn."""

    number: int
    sweep: int
    position: int
    begins: datetime
    shot: Shot


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """All exposures of a night, and the truth. Drawing them is the work of `draw_night`."""

    scene: Scene
    plan: NightPlan
    seed: int
    shots: tuple[PlannedShot, ...]
    truth: NightTruth
    styles: tuple[HeaderStyle, ...]


def simulate_night(
    scene: Scene,
    plan: NightPlan,
    *,
    seed: int,
    styles: tuple[HeaderStyle, ...] = (HeaderStyle(),),
) -> Night:
    """Plan a night: times, temperatures, positions, places of the camera, and the truth.

    Parameters
    ----------
    scene : Scene
    plan : NightPlan
    seed : int
        Same seed, same night, pixel for pixel.
    styles : tuple of HeaderStyle
        Spellings of the headers; the night is shared out evenly among them, in order.

    Returns
    -------
    Night

    Examples
    --------
    >>> night = simulate_night(Scene(light="rays"), NightPlan(order=("L", "R")), seed=1)
    >>> len(night.shots), round(night.truth.offset_steps["R"], 1)
    (22, 0.0)
    """
    rng = np.random.default_rng([seed, 17])
    best = {name: true_best_focus(scene, name) for name in _measured_filters(scene, plan)}
    sweeps, rows = [], []
    for number, name in enumerate(plan.order):
        middle_s = number * plan.interval_s + plan.positions * _cadence_s(scene, plan, name) / 2
        warm = _temperature_degC(plan, middle_s)
        target = _count_of(scene, plan, best[name], warm)
        sweeps.append(
            SweepTruth(
                sweep=number,
                filter=name,
                rising=plan.rising,
                temperature_degC=warm,
                best_focus_steps=target,
            )
        )
        middle = round(target + plan.miscentre_steps * rng.standard_normal())
        rows.append(_positions(plan, middle))
    places = _camera_rows(scene, plan, rows, rng)
    shots = _shots(scene, plan, rows, places, rng)
    truth = _night_truth(scene, plan, best, sweeps, seed)
    return Night(scene=scene, plan=plan, seed=seed, shots=shots, truth=truth, styles=styles)


def draw_night(night: Night) -> Iterator[DrawnFrame]:
    """Draw the frames of a night one after another."""
    for planned in night.shots:
        yield draw_planned(night, planned)


def draw_planned(night: Night, planned: PlannedShot) -> DrawnFrame:
    """Draw one frame of a night; frames do not depend on one another."""
    rng = np.random.default_rng([night.seed, 19, planned.number])
    image = draw_exposure(night.scene, planned.shot, rng=rng)
    style = night.styles[planned.sweep * len(night.styles) // len(night.plan.order)]
    reading = planned.shot.temperature_degC + 0.03 * rng.standard_normal()
    cards = frame_cards(
        night.scene,
        style,
        filter_name=planned.shot.filter,
        position=planned.position,
        temperature_degC=reading,
        exposure_s=planned.shot.exposure_s,
        begins=planned.begins,
    )
    return DrawnFrame(image, cards, f"{style.prefix}{planned.number + 1:04d}")


def simulate_sweep(
    scene: Scene,
    filter_name: str,
    *,
    seed: int,
    plan: NightPlan | None = None,
) -> Night:
    """One sweep of one filter: a night of its own (see `simulate_night`)."""
    return simulate_night(scene, replace(plan or NightPlan(), order=(filter_name,)), seed=seed)


def _measured_filters(scene: Scene, plan: NightPlan) -> tuple[str, ...]:
    if scene.sensor.bayer is not None:
        return ("R", "G", "B")
    return tuple(dict.fromkeys(plan.order))


def _cadence_s(scene: Scene, plan: NightPlan, name: str) -> float:
    return scene.filters[name].exposure_s + plan.overhead_s


def _temperature_degC(plan: NightPlan, time_s: float) -> float:
    """The tube cools fast at first, then ever more slowly, as after sunset."""
    whole = max(len(plan.order) * plan.interval_s, 1.0)
    fallen = (1 - np.exp(-1.5 * time_s / whole)) / (1 - np.exp(-1.5))
    return float(plan.warm_degC + (plan.cold_degC - plan.warm_degC) * fallen)


def _count_of(scene: Scene, plan: NightPlan, best: float, temperature_degC: float) -> float:
    """Count at which the camera stands at best focus, given the direction of the sweep."""
    drift = scene.focuser.steps_per_degC * (temperature_degC - scene.focuser.home_degC)
    return best + drift - (0.0 if plan.rising else scene.focuser.backlash_steps)


def _positions(plan: NightPlan, middle: int) -> list[int]:
    offsets = plan.spacing_steps * (np.arange(plan.positions) - (plan.positions - 1) / 2)
    positions = [round(middle + float(offset)) for offset in offsets]
    return positions if plan.rising else positions[::-1]


def _camera_rows(
    scene: Scene, plan: NightPlan, rows: list[list[int]], rng: np.random.Generator
) -> list[np.ndarray]:
    """Where the camera stands at each exposure; run-up moves are made but not exposed."""
    away = 1.0 if plan.rising else -1.0
    run_up = (1 if plan.take_up else -1) * away * (scene.focuser.backlash_steps + 50.0)
    commanded: list[float] = []
    for row in rows:
        # Without take-up the focuser comes from the far side, and its play shows in the sweep.
        commanded += [row[0] - run_up, *row]
    start = commanded[0] + (scene.focuser.backlash_steps if plan.rising else 0.0)
    places = camera_places(scene.focuser, commanded, rng=rng, start=start)
    return [row[1:] for row in places.reshape(len(rows), -1)]


def _shots(
    scene: Scene,
    plan: NightPlan,
    rows: list[list[int]],
    places: list[np.ndarray],
    rng: np.random.Generator,
) -> tuple[PlannedShot, ...]:
    begin = datetime.fromisoformat(plan.start)
    drift = plan.drift_px_per_h * np.array([1.0, -0.6]) / 3600
    shots: list[PlannedShot] = []
    for sweep, (name, row, camera) in enumerate(zip(plan.order, rows, places, strict=True)):
        dither = plan.dither_px * rng.standard_normal(2)
        flipped = 0 <= plan.flip_before <= sweep
        for k, (position, steps) in enumerate(zip(row, camera, strict=True)):
            time_s = sweep * plan.interval_s + k * _cadence_s(scene, plan, name)
            exposure = scene.filters[name].exposure_s
            dx, dy = dither + drift * time_s
            shot = Shot(
                filter=name,
                camera_steps=float(steps),
                temperature_degC=_temperature_degC(plan, time_s + exposure / 2),
                exposure_s=exposure,
                seeing_factor=float(np.exp(scene.sky.jitter * rng.standard_normal())),
                pointing=Pointing(
                    dx_px=float(dx), dy_px=float(dy), rotation_deg=181.2 if flipped else 0.0
                ),
            )
            begins = begin + timedelta(seconds=time_s)
            shots.append(
                PlannedShot(
                    number=len(shots), sweep=sweep, position=position, begins=begins, shot=shot
                )
            )
    return tuple(shots)


def _night_truth(
    scene: Scene, plan: NightPlan, best: dict[str, float], sweeps: list[SweepTruth], seed: int
) -> NightTruth:
    warm = float(np.mean([sweep.temperature_degC for sweep in sweeps]))
    counts = {name: _count_of(scene, plan, value, warm) for name, value in best.items()}
    reference = "L" if "L" in best else "G" if "G" in best else plan.order[0]
    zones = {}
    for name in best:
        plate = scene.filters[name]
        colour = float(np.average(plate.wavelengths_nm, weights=plate.weights))
        zone_um = critical_focus_zone_um(colour, scene.lens.focal_ratio)
        zones[name] = zone_um / scene.focuser.um_per_step
    return NightTruth(
        marked="SIMULATED, INVENTED: no real telescope, site or sky",
        seed=seed,
        reference=reference,
        reference_degC=warm,
        best_focus_steps=counts,
        offset_steps={name: value - counts[reference] for name, value in counts.items()},
        zone_steps=zones,
        um_per_step=scene.focuser.um_per_step,
        steps_per_degC=scene.focuser.steps_per_degC,
        backlash_steps=scene.focuser.backlash_steps,
        thickness_mm={name: scene.filters[name].thickness_mm for name in best},
        sweeps=tuple(sweeps),
    )
