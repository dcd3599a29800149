"""A plan followed under an invented sky, with the person's own telescope."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from itertools import groupby
from typing import Final

import numpy as np

from ..errors import SetupError
from ..filters import Band
from ..frames.tables import FRAME_OVERHEAD_S, SWEEP_OVERHEAD_S, PlannedExposure
from ..optics import critical_focus_zone_um
from ..setup import Setup
from .curve import true_best_focus
from .exposure import Pointing, Shot
from .focuser import FocuserPhysics, camera_places
from .headers import HeaderStyle
from .lens import Lens
from .night import Night, PlannedShot
from .plan import NightPlan, count_at
from .plate import FilterPlate, band_samples
from .scene import Scene, Sensor, Sky
from .truth import SweepTruth, night_truth

START: Final = "2031-02-03T20:10:00"
COOLING_DEGC_PER_HOUR: Final = 1.0
REPEATS_UM: Final = 4.0
"""Scatter of best focus from sweep to sweep where none is stated (common practice)."""
TUBE_PER_DEGC: Final = 23.6e-6
"""Expansion of an aluminium tube (handbook value, from memory)."""
_INDEX: Final = 1.52
_NARROW_NM: Final = 12.0
_GLASS_MM: Final = 3.0
_DOUBLET: Final = ("S-FPL53", "N-ZK7")
_ARCSEC: Final = np.pi / 180 / 3600


def planned_night(
    exposures: Sequence[PlannedExposure],
    setup: Setup,
    *,
    seed: int,
    hfr_px: float | None = None,
    best_steps: Mapping[str, float] | None = None,
) -> Night:
    """Follow a plan on an invented night.

    The telescope is the setup's; what it does not state is drawn: the glass of the filters within
    about half a zone, where the reference focuses within one, play, and what the tube does in the
    cold, which comes at 1 degC an hour.

    Parameters
    ----------
    exposures : sequence of PlannedExposure
        In order; every sweep goes one way.
    setup : Setup
        With focal length, aperture and step size.
    seed : int
        Same seed, same night.
    hfr_px : float, optional
        About the half-flux radius in focus; that of 3 arcsec of seeing where not given.
    best_steps : mapping of str to float, optional
        As for `simulate_night`, where the scene of this seed is known already.

    Returns
    -------
    Night

    Raises
    ------
    SetupError
        If the setup lacks one of the numbers, or the band of a filter.
    """
    rng = np.random.default_rng([seed, 29])
    sweeps = [list(group) for _, group in groupby(exposures, key=lambda one: one.sweep)]
    scene = planned_scene(exposures, setup, rng=rng, hfr_px=hfr_px)
    names = list(dict.fromkeys(one.filter for one in exposures))
    best = dict(best_steps or {name: true_best_focus(scene, name) for name in names})
    times = start_times_s(exposures)
    plan = NightPlan(
        order=tuple(rows[0].filter for rows in sweeps),
        rising=sweeps[0][-1].position_steps >= sweeps[0][0].position_steps,
        start=START,
        warm_degC=scene.focuser.home_degC,
        cold_degC=scene.focuser.home_degC - _cooled(times[-1]),
    )
    repeat = setup.focuser.repeatability_steps
    repeat = REPEATS_UM / scene.focuser.um_per_step if repeat is None else repeat
    shifts = repeat * rng.standard_normal(len(sweeps))
    camera = _places(scene.focuser, sweeps, rng) + np.repeat(shifts, [len(s) for s in sweeps])
    shots = _shots(exposures, scene, camera, times=times, rng=rng)
    truths = [
        _sweep_truth(scene, plan, best, own, number, shift=shift)
        for number, shift in enumerate(shifts)
        for own in [[shot for shot in shots if shot.sweep == number]]
    ]
    truth = night_truth(scene, plan, best, truths, seed)
    return Night(
        scene=scene, plan=plan, seed=seed, shots=shots, truth=truth, styles=(HeaderStyle(),)
    )


def planned_scene(
    exposures: Sequence[PlannedExposure],
    setup: Setup,
    *,
    rng: np.random.Generator,
    hfr_px: float | None = None,
) -> Scene:
    """The person's telescope as a scene, its filters and focuser drawn where nobody states them."""
    scope, own, camera = setup.telescope, setup.focuser, setup.camera
    if not (scope.focal_length_mm and scope.aperture_mm and own.um_per_step):
        msg = (
            "to draw a plan the setup file must state focal_length_mm and aperture_mm under "
            "[telescope] and um_per_step under [focuser]"
        )
        raise SetupError(msg)
    sense = 1 if own.outward == "increasing" else -1
    lens = Lens(
        focal_length_mm=scope.focal_length_mm,
        aperture_mm=scope.aperture_mm,
        obstruction=scope.obstruction,
        # Mirrors have no colour; the usual small refractor has little.
        glasses=None if scope.obstruction else _DOUBLET,
        colour_share=0.4,
    )
    tube = -sense * TUBE_PER_DEGC * 1e3 * scope.focal_length_mm / own.um_per_step
    focuser = FocuserPhysics(
        um_per_step=own.um_per_step,
        outward=sense,
        home_steps=0.0,
        steps_per_degC=tube * rng.uniform(0.6, 1.4)
        if own.steps_per_degC is None
        else own.steps_per_degC,
        backlash_steps=rng.uniform(0, 80) if own.backlash_steps is None else own.backlash_steps,
        scatter_steps=1.0 / own.um_per_step,
    )
    sensor = Sensor(
        pixel_um=camera.pixel_um or Sensor().pixel_um,
        gain_e_per_adu=camera.gain_e_per_adu or Sensor().gain_e_per_adu,
        read_noise_e=camera.read_noise_e or Sensor().read_noise_e,
        hot_pixels=25,
    )
    scene = Scene(
        lens=lens,
        filters=_plates(exposures, setup, lens.focal_ratio, rng=rng),
        focuser=focuser,
        sensor=sensor,
        sky=Sky(seeing_arcsec=_seeing(lens, sensor, hfr_px), kolmogorov=True),
        telescope="Invented night, own telescope",
    )
    reference = exposures[0].filter
    zone = critical_focus_zone_um(550.0, lens.focal_ratio) / own.um_per_step
    centre = _centres(exposures)[reference] + rng.uniform(-1, 1) * zone
    home = centre - true_best_focus(scene, reference)
    return replace(scene, focuser=replace(focuser, home_steps=home))


def _plates(
    exposures: Sequence[PlannedExposure],
    setup: Setup,
    focal_ratio: float,
    *,
    rng: np.random.Generator,
) -> dict[str, FilterPlate]:
    """Filters with the glass that puts them about where the plan has them."""
    centres = _centres(exposures)
    anchor, um = centres[exposures[0].filter], setup.focuser.um_per_step or 1.0
    sense = 1 if setup.focuser.outward == "increasing" else -1
    zone_um = critical_focus_zone_um(550.0, focal_ratio)
    plates = {}
    for name, centre in centres.items():
        band = _band(setup, name)
        off_um = sense * um * (centre - anchor) + 0.5 * zone_um * rng.standard_normal()
        drawn = max(_GLASS_MM + 1e-3 * off_um / (1 - 1 / _INDEX), 0.1)
        glass = setup.filters.get(name)
        stated = glass.thickness_mm if glass else None
        samples = 5 if band.width_nm >= _NARROW_NM else 1
        colours, weights = band_samples(band.wavelength_nm, band.width_nm, samples=samples)
        plates[name] = FilterPlate(
            wavelengths_nm=colours,
            weights=weights,
            thickness_mm=stated or drawn,
            index=(glass.refractive_index if glass else None) or _INDEX,
            throughput=max(band.width_nm, 1.0) / 300.0,
            written=name,
        )
    return plates


def _band(setup: Setup, name: str) -> Band:
    band = setup.band(name)
    if band is None:
        msg = (
            f"the wavelength of the filter '{name}' is not known: state wavelength_nm and "
            f"bandwidth_nm under [filters.{name}] in the setup file"
        )
        raise SetupError(msg)
    return band if band.width_nm > 0 else Band(band.wavelength_nm, 6.0)


def _centres(exposures: Sequence[PlannedExposure]) -> dict[str, float]:
    """Middle of the positions planned for each filter, the reference (the first) first."""
    rows: dict[str, list[int]] = {}
    for one in exposures:
        rows.setdefault(one.filter, []).append(one.position_steps)
    return {name: (min(p) + max(p)) / 2 for name, p in rows.items()}


def _seeing(lens: Lens, sensor: Sensor, hfr_px: float | None) -> float:
    """Seeing that makes the half-flux radius, by 0.57 of its width and 0.53 lambda N in squares."""
    if hfr_px is None:
        return Sky().seeing_arcsec
    airy = 0.53 * 0.55 * lens.focal_ratio / sensor.pixel_um
    width_px = np.sqrt(max(hfr_px**2 - airy**2, (0.3 * hfr_px) ** 2)) / 0.57
    return float(width_px * sensor.pixel_um * 1e-3 / lens.focal_length_mm / _ARCSEC)


def _cooled(time_s: float) -> float:
    return COOLING_DEGC_PER_HOUR * time_s / 3600


def _places(
    focuser: FocuserPhysics, sweeps: Sequence[Sequence[PlannedExposure]], rng: np.random.Generator
) -> np.ndarray:
    """Where the camera rests at each exposure, every sweep run in by more than the play."""
    commanded: list[float] = []
    shown: list[bool] = []
    for rows in sweeps:
        way = 1.0 if rows[-1].position_steps >= rows[0].position_steps else -1.0
        begin = rows[0].position_steps - way * (1.5 * focuser.backlash_steps + 10)
        commanded += [begin, *(float(one.position_steps) for one in rows)]
        shown += [False, *([True] * len(rows))]
    places = camera_places(focuser, commanded, rng=rng, start=commanded[0])
    return places[np.array(shown)]


def _shots(
    exposures: Sequence[PlannedExposure],
    scene: Scene,
    camera: np.ndarray,
    *,
    times: Sequence[float],
    rng: np.random.Generator,
) -> tuple[PlannedShot, ...]:
    begin, warm = datetime.fromisoformat(START), scene.focuser.home_degC
    which = {one: k for k, one in enumerate(dict.fromkeys(e.sweep for e in exposures))}
    shots = []
    for number, (one, steps, start) in enumerate(zip(exposures, camera, times, strict=False)):
        drift = 4.0 * start / 3600
        shot = Shot(
            filter=one.filter,
            camera_steps=float(steps),
            temperature_degC=warm - _cooled(start + one.exposure_s / 2),
            exposure_s=one.exposure_s,
            seeing_factor=float(np.exp(scene.sky.jitter * rng.standard_normal())),
            pointing=Pointing(dx_px=drift, dy_px=-0.6 * drift),
        )
        shots.append(
            PlannedShot(
                number=number,
                sweep=which[one.sweep],
                position=one.position_steps,
                begins=begin + timedelta(seconds=start),
                shot=shot,
            )
        )
    return tuple(shots)


def _sweep_truth(
    scene: Scene,
    plan: NightPlan,
    best: Mapping[str, float],
    shots: Sequence[PlannedShot],
    number: int,
    *,
    shift: float,
) -> SweepTruth:
    name = shots[0].shot.filter
    warm = float(np.mean([one.shot.temperature_degC for one in shots]))
    return SweepTruth(
        sweep=number,
        filter=name,
        rising=plan.rising,
        temperature_degC=warm,
        # Where the camera rests too far out, the count at best focus is lower.
        best_focus_steps=count_at(scene, plan, best[name], warm) - float(shift),
    )


def start_times_s(exposures: Sequence[PlannedExposure]) -> list[float]:
    """When each exposure begins, counted from the beginning, with the usual overheads.

    One more entry at the end says when everything is over.
    """
    times, now = [], 0.0
    for before, one in zip([None, *exposures], exposures, strict=False):
        if before is None or before.sweep != one.sweep:
            now += SWEEP_OVERHEAD_S
        times.append(now)
        now += one.exposure_s + FRAME_OVERHEAD_S
    return [*times, now]
