"""A night of focus sweeps: every exposure planned, then drawn."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import NamedTuple, TypedDict

import numpy as np

from .curve import true_best_focus
from .exposure import Pointing, Shot, draw_exposure
from .focuser import camera_places
from .headers import Cards, HeaderStyle, frame_cards
from .plan import NightPlan, cadence_s, count_at, sweep_positions, tube_degC
from .scene import Scene
from .truth import NightTruth, SweepTruth, measured_filters, night_truth


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
    best_steps: Mapping[str, float] | None = None,
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
    best_steps : mapping of str to float, optional
        Best focus by filter at ``home_degC``, where it is known already; else `true_best_focus`.

    Returns
    -------
    Night

    Raises
    ------
    ValueError
        If the scene lacks a filter of the plan (or R, G and B behind a colour sensor).

    Examples
    --------
    >>> night = simulate_night(Scene(light="rays"), NightPlan(order=("L", "R")), seed=1)
    >>> len(night.shots), round(night.truth.offset_steps["R"], 1)
    (22, 0.0)
    """
    rng = np.random.default_rng([seed, 17])
    names = measured_filters(scene, plan)
    known = best_steps or {}
    best = {n: known[n] if n in known else true_best_focus(scene, n) for n in names}
    sweeps, rows = [], []
    for number, name in enumerate(plan.order):
        middle_s = number * plan.interval_s + plan.positions * cadence_s(scene, plan, name) / 2
        warm = tube_degC(plan, middle_s)
        target = count_at(scene, plan, best[name], warm)
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
        rows.append(sweep_positions(plan, middle))
    places = _camera_rows(scene, plan, rows, rng)
    shots = _shots(scene, plan, rows, places, rng)
    truth = night_truth(scene, plan, best, sweeps, seed)
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
    mishaps = _mishaps(scene, plan, rng.spawn(1)[0])
    shots: list[PlannedShot] = []
    for sweep, (name, row, camera) in enumerate(zip(plan.order, rows, places, strict=True)):
        dither = plan.dither_px * rng.standard_normal(2)
        flipped = 0 <= plan.flip_before <= sweep
        for k, (position, steps) in enumerate(zip(row, camera, strict=True)):
            time_s = sweep * plan.interval_s + k * cadence_s(scene, plan, name)
            exposure = scene.filters[name].exposure_s
            dx, dy = dither + drift * time_s
            shot = Shot(
                filter=name,
                camera_steps=float(steps),
                temperature_degC=tube_degC(plan, time_s + exposure / 2),
                exposure_s=exposure,
                seeing_factor=float(np.exp(scene.sky.jitter * rng.standard_normal())),
                pointing=Pointing(
                    dx_px=float(dx), dy_px=float(dy), rotation_deg=181.2 if flipped else 0.0
                ),
                **next(mishaps),
            )
            begins = begin + timedelta(seconds=time_s)
            shots.append(
                PlannedShot(
                    number=len(shots), sweep=sweep, position=position, begins=begins, shot=shot
                )
            )
    return tuple(shots)


class _Mishap(TypedDict):
    smear_px: tuple[float, float]
    cloud: float
    satellites: tuple[tuple[float, float, float], ...]


def _mishaps(scene: Scene, plan: NightPlan, rng: np.random.Generator) -> Iterator[_Mishap]:
    """Wind, clouds and satellites of one frame after another."""
    rows, columns = scene.sensor.shape
    veil = rng.standard_normal()
    while True:
        length, angle = rng.uniform(*plan.wind_px), rng.uniform(0, 2 * np.pi)
        veil = 0.78 * veil + 0.63 * rng.standard_normal()
        tracks = rng.uniform((0, 0, 0), (columns, rows, 180), (rng.poisson(plan.satellites), 3))
        yield {
            "smear_px": (float(length * np.cos(angle)), float(length * np.sin(angle))),
            "cloud": float(1 - np.exp(-plan.cloud * max(veil, 0) ** 2)),
            "satellites": tuple((float(x), float(y), float(a)) for x, y, a in tracks),
        }
