"""Do plans keep what they promise? Invented telescopes, plans, draws, fits, adjustments.

Run: ``python scripts/plan_trials.py --nights 50``; writes ``scripts/results/plan.md``. At the level
of radii: every sweep of a plan is drawn by the simulator's own physics (wave optics, Kolmogorov
seeing, star noise as planned, best focus within a zone of where it is expected, the tube cooling),
goes through ``fit_curves`` and ``compare_sweeps``, and its offsets are held against the truth.
The same with as many positions on both wings and one in focus, for which the covariance promises
more. With ``--frames 2`` so many
nights of each telescope are drawn as frames too, and measured by ``measure_offsets``; with
``--light`` the star noise of drawn frames is tabulated, on which the plan's exposures rest.
``--store FILE`` goes on where another call stopped.
"""

import argparse
import json
from dataclasses import asdict, dataclass, replace
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np

from starsize import fit_curves, load_setup, measure_offsets
from starsize.comparison import compare_sweeps
from starsize.curves import CurveSet, FocusCurve, focus_curve
from starsize.curves.design import STAR_NOISE_POWER, Outlook, design_of
from starsize.frames.plan_csv import PlannedExposure, start_times_s
from starsize.photometry import measure_image
from starsize.plan import CapturePlan, plan_capture
from starsize.plan.equipment import equip
from starsize.setup import Focuser, Setup, Telescope
from starsize.simulate import (
    RadiusTable,
    Shot,
    draw_exposure,
    planned_night,
    planned_scene,
    tabulate_radii,
    true_best_focus,
    write_night,
)

RESULT = Path(__file__).parent / "results" / "plan.md"
CENTRE = 10000
MJD = 60000.0


@dataclass(frozen=True)
class Trial:
    """An invented telescope: its setup, and the filters of its plan."""

    setup: Setup
    filters: tuple[str, ...]


def _setup(focal: float, aperture: float, hole: float, step: float, repeats: float) -> Setup:
    return Setup(
        telescope=Telescope(focal_length_mm=focal, aperture_mm=aperture, obstruction_mm=hole),
        focuser=Focuser(um_per_step=step, repeatability_steps=repeats),
    )


TRIALS = {
    "refractor 87/480": Trial(_setup(480, 87, 0, 4.0, 0.6), ("L", "R", "G", "B")),
    "mirror 200/800": Trial(_setup(800, 200, 70, 2.5, 0.6), ("L", "R", "G", "B", "Ha")),
    "mirror 200/2000": Trial(_setup(2000, 200, 70, 5.0, 2.0), ("L", "Ha", "OIII")),
}


WINGS = 0.6
"""Of the way to the ends, the frames on the wings begin: where stars are about 2.5 times as large.
There the covariance likes them best."""


def on_wings(plan: CapturePlan) -> tuple[PlannedExposure, ...]:
    """The sweeps of a plan with as many positions on both wings, and one in focus."""
    end = max(plan.away_steps)
    side = np.round(np.linspace(WINGS * end, end, len(plan.away_steps) // 2)).astype(int)
    rows: list[PlannedExposure] = []
    for sweep in plan.sweeps:
        centre = plan.centre_steps[sweep[0].filter]
        for away, one in zip([*-side[::-1], 0, *side], sweep, strict=True):
            rows.append(replace(one, position_steps=centre + int(away)))
    return tuple(rows)


def promised(plan: CapturePlan, exposures: tuple[PlannedExposure, ...], outlook: Outlook) -> float:
    """Rms error of best focus about the night's mean, by the covariance."""
    places = [e.position_steps - plan.centre_steps[e.filter] for e in exposures]
    away = np.unique([0, *places])
    design = design_of(list(plan.offsets), away, outlook=outlook)
    sweeps = []
    for _, group in groupby(zip(exposures, places, strict=True), key=lambda e: e[0].sweep):
        some = list(group)
        at = np.searchsorted(away, [place for _, place in some])
        sweeps.append((some[0][0].filter, np.bincount(at, minlength=away.size)))
    covariance = design.covariance(sweeps)
    count = len(sweeps)
    return float(np.sqrt((np.trace(covariance) - count * covariance.mean()) / (count - 1)))


def drawn(
    exposures: tuple[PlannedExposure, ...],
    table: RadiusTable,
    noise: dict[str, float],
    rng: np.random.Generator,
) -> tuple[list[FocusCurve], np.ndarray]:
    """Focus curves of a night, and the true best focus of each sweep at its temperature."""
    scene = table.scene
    times = np.array(start_times_s(exposures)[:-1])
    zone = min(table.zone_steps.values())
    off = zone * rng.uniform(-1, 1)
    curves, true = [], []
    for number, group in groupby(zip(exposures, times, strict=True), key=lambda e: e[0].sweep):
        some = list(group)
        name, start = some[0][0].filter, np.array([t for _, t in some])
        position = np.array([float(one.position_steps) for one, _ in some])
        warm = -start / 3600
        drift = scene.focuser.steps_per_degC * warm
        camera = position - off - drift
        camera = camera + scene.focuser.scatter_steps * rng.standard_normal(camera.size)
        seeing = np.exp(scene.sky.jitter * rng.standard_normal(camera.size))
        radius = table.radii_px(name, camera, seeing)[:, 1]
        floor = radius.min()
        sigma = noise[name] * floor * (radius / floor) ** STAR_NOISE_POWER
        curves.append(
            focus_curve(
                position, radius + sigma * rng.standard_normal(radius.size), sigma, filter=name,
                id=f"{name}-{number}", approach="outward", temperature_degC=10 + warm,
                time_mjd=MJD + start / 86400,
            )
        )  # fmt: skip
        true.append(table.best_steps[name] + off + float(np.mean(drift)))
    return curves, np.array(true)


def moved(curves: CurveSet, shift: np.ndarray) -> CurveSet:
    """The fits of sweeps that the focuser scattered; a fit moves along with its zero."""
    fits = tuple(
        replace(fit, best_steps=fit.best_steps + float(by))
        for fit, by in zip(curves.fits, shift, strict=True)
    )
    return replace(curves, fits=fits)


@dataclass
class Kept:
    """What came of the nights of one telescope, one entry a night."""

    errors: dict[str, list[float]]
    stated: dict[str, list[float]]
    planned: list[float]
    wings: list[float]
    refused: list[int]


def plan_of(name: str) -> CapturePlan:
    trial = TRIALS[name]
    return plan_capture(trial.setup, filters=trial.filters, position_steps=CENTRE)


def run_nights(name: str, nights: range, seed: int, kept: Kept) -> None:
    """Draw, fit and adjust nights of one telescope."""
    trial, plan = TRIALS[name], plan_of(name)
    own = equip(trial.setup, filters=trial.filters, position_steps=CENTRE)
    scene = planned_scene(
        plan.exposures, trial.setup, rng=np.random.default_rng([seed, 31]), hfr_px=plan.hfr_px
    )
    table = tabulate_radii(scene, trial.filters, span=4.0)
    repeats = trial.setup.focuser.repeatability_steps or 0.0
    for night in nights:
        missing = 0
        for exposures, alone in ((plan.exposures, kept.planned), (on_wings(plan), kept.wings)):
            rng = np.random.default_rng([seed, 37, night])
            curves, best = drawn(exposures, table, dict(own.outlook.star_noise), rng)
            fits = fit_curves(curves, setup=plan.setup)
            refused = sum(not fit.answered for fit in fits.fits)
            missing += refused
            if refused:
                continue
            miss = np.array([fit.best_steps for fit in fits.fits]) - best
            alone.append(float(np.var(miss, ddof=1)))
            if alone is kept.planned:
                shift = repeats * rng.standard_normal(len(curves))
                for row in compare_sweeps(moved(fits, shift), setup=plan.setup).rows:
                    if row.offset_steps is not None and row.offset_sigma_steps:
                        true = table.best_steps[row.filter] - table.best_steps[plan.reference]
                        kept.errors.setdefault(row.filter, []).append(row.offset_steps - true)
                        kept.stated.setdefault(row.filter, []).append(row.offset_sigma_steps)
        kept.refused.append(missing)


def offset_lines(name: str, kept: Kept) -> list[str]:
    """True errors of each filter against what the plan promised."""
    plan, lines = plan_of(name), []
    for filter_name, values in kept.errors.items():
        rms, told = float(np.sqrt(np.mean(np.square(values)))), plan.offsets[filter_name]
        lines.append(
            f"| {name} | {filter_name} | {len(values)} | {told.sigma:.3f} "
            f"({told.frames:.2f}, {told.focuser:.2f}, {told.temperature:.2f}) | {rms:.3f} "
            f"| {rms / told.sigma:.2f} | {np.median(kept.stated[filter_name]) / told.sigma:.2f} |"
        )
    return lines


def position_line(name: str, kept: Kept) -> str:
    """Best foci from the evenly spaced positions of the plan against those from the wings."""
    trial, plan = TRIALS[name], plan_of(name)
    outlook = equip(trial.setup, filters=trial.filters, position_steps=CENTRE).outlook
    even, wings = (float(np.sqrt(np.mean(v))) for v in (kept.planned, kept.wings))
    told = [promised(plan, some, outlook) for some in (plan.exposures, on_wings(plan))]
    return (
        f"| {name} | {len(kept.planned)} | {len(plan.away_steps)} | {told[0]:.3f} | {told[1]:.3f} "
        f"| {told[1] / told[0]:.2f} | {even:.3f} | {wings:.3f} | {wings / even:.2f} "
        f"| {sum(kept.refused)} |"
    )


def one_night_of_frames(name: str, seed: int) -> str:
    """A plan drawn as frames and measured: errors over what was predicted."""
    trial, plan = TRIALS[name], plan_of(name)
    night = planned_night(plan.exposures, plan.setup, seed=seed, hfr_px=plan.hfr_px)
    last = night.shots[-1]
    took = (last.begins - night.shots[0].begins).total_seconds() + last.shot.exposure_s
    with TemporaryDirectory() as folder:
        write_night(Path(folder), night, compressed=False)
        setup = load_setup(Path(folder) / "setup.toml")
        repeats = trial.setup.focuser.repeatability_steps
        setup = replace(setup, focuser=replace(setup.focuser, repeatability_steps=repeats))
        result = measure_offsets([folder], setup=setup)
    true, told = night.truth.offset_steps, plan.offsets
    pulls = [
        f"{one.filter} {(one.offset_steps - true[one.filter]) / told[one.filter].sigma:+.2f}"
        for one in result.comparison.rows
        if one.offset_steps is not None and one.filter != plan.reference
    ]
    refused = sum(row.status == "refused" for row in result.comparison.rows)
    return (
        f"| {name} | {seed} | {', '.join(pulls)} | {refused} | {plan.duration_s / 60:.1f} "
        f"| {took / 60:.1f} |"
    )


def light_rows() -> list[str]:
    """Star noise of drawn frames against their light and defocus."""
    trial = TRIALS["refractor 87/480"]
    plan = plan_capture(trial.setup, filters=("L", "R", "Ha"), position_steps=CENTRE)
    scene = planned_scene(plan.exposures, trial.setup, rng=np.random.default_rng(41))
    rows = []
    for name in ("L", "R", "Ha"):
        best, width = true_best_focus(scene, name), 300 * scene.filters[name].throughput
        for exposure in (2.0, 8.0, 32.0):
            cells = []
            for away in (0, 30, 60):
                shot = Shot(
                    filter=name, camera_steps=best + away, temperature_degC=10.0,
                    exposure_s=exposure,
                )  # fmt: skip
                image = draw_exposure(scene, shot, rng=np.random.default_rng([43, away]))
                radius = measure_image(image).radius
                cells.append(
                    f"{100 * radius.radius_sigma_px / radius.radius_px:.2f} ({radius.n_stars})"
                )
            rows.append(f"| {name} | {exposure:g} | {exposure * width:.0f} | {' | '.join(cells)} |")
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=50)
    parser.add_argument("--frames", type=int, default=0, help="nights drawn as frames")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, default=0, help="first night")
    parser.add_argument("--telescopes", default=",".join(TRIALS), help="comma separated")
    parser.add_argument("--store", type=Path, help="JSON of nights that goes on from call to call")
    parser.add_argument("--light", action="store_true")
    parser.add_argument("--out", type=Path, default=RESULT)
    asked = parser.parse_args()
    names = [name for name in asked.telescopes.split(",") if name]
    stored: dict[str, Any] = {"nights": {}, "frames": [], "light": []}
    if asked.store and asked.store.exists():
        stored = json.loads(asked.store.read_text(encoding="utf-8"))
    every = {name: Kept(**one) for name, one in stored["nights"].items()}
    for name in names if asked.nights else ():
        kept = every.setdefault(name, Kept({}, {}, [], [], []))
        run_nights(name, range(asked.first, asked.first + asked.nights), asked.seed, kept)
    frames, light = list(stored["frames"]), list(stored["light"])
    for k in range(asked.frames):
        frames += [one_night_of_frames(name, asked.seed + k) for name in names]
    if asked.light:
        light = light_rows()
    if asked.store:
        nights = {name: asdict(kept) for name, kept in every.items()}
        kept_text = json.dumps({"nights": nights, "frames": frames, "light": light})
        asked.store.write_text(kept_text, encoding="utf-8")
    parts = ["# Do plans keep what they promise?", "", "Written by `scripts/plan_trials.py`."]
    if every:
        rows = [line for name, kept in every.items() for line in offset_lines(name, kept)]
        parts += ["", "## Offsets, drawn as radii", "", KEPT, *rows]
        rows = [position_line(name, kept) for name, kept in every.items()]
        parts += ["", "## Positions", "", AGAINST, *rows]
    if frames:
        parts += ["", "## Drawn as frames", "", FRAMES, *frames]
    if light:
        parts += ["", "## Star noise of drawn frames, % of the radius (stars)", "", LIGHT, *light]
    print("\n".join(parts))
    asked.out.write_text("\n".join(parts) + "\n", encoding="utf-8")


KEPT = (
    "Predicted: the plan's standard uncertainty (frames, focuser, cooling), steps. The median of\n"
    "what the table states on these nights stands last.\n\n"
    "| telescope | filter | nights | predicted | rms of true errors | over predicted "
    "| stated / predicted |\n|---|---|---|---|---|---|---|"
)
AGAINST = (
    "Rms error of best focus about the night's mean, no scatter of the focuser: evenly spaced as\n"
    "planned, and as many frames on both wings (2.5 to 4 times the size in focus) and one in focus;"
    "\npromised by the covariance, and drawn; sweeps refused.\n\n"
    "| telescope | nights | frames | even, promised | wings, promised | ratio | even, drawn "
    "| wings, drawn | ratio | refused |\n|---|---|---|---|---|---|---|---|---|---|"
)
FRAMES = (
    "Plan, drawn frames, ``measure_offsets``: true error over predicted for each filter.\n\n"
    "| telescope | seed | error / predicted | refused | planned min | took min |\n"
    "|---|---|---|---|---|---|"
)
LIGHT = (
    "| filter | exposure s | light nm s | in focus | 30 steps off | 60 steps off |\n"
    "|---|---|---|---|---|---|"
)

if __name__ == "__main__":
    main()
