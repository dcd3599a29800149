"""Do plans keep what they promise? Invented telescopes, plans, draws, fits, adjustments.

At the level of radii: every sweep of a plan is drawn by the simulator's own physics (wave optics,
Kolmogorov seeing, star noise as planned, best focus within a zone of where it is expected, the tube
shrinking in the cold as `simulate --plan` has it), goes through ``fit_curves`` and
``compare_sweeps``, and its offsets are held against the truth. ``--wings`` does the same with as
many positions on both wings and one in focus, for which the covariance promises more; ``--frames``
draws plans as frames that ``measure_offsets`` measures; ``--light`` tabulates the star noise of
drawn frames, on which the plan's exposures rest.

Each of them writes its section of ``scripts/results/plan.md``. ``--store FILE`` keeps the nights,
so that a long trial can be made in several calls.

Run: ``python scripts/plan_trials.py --nights 50 --wings 10 --frames 5 --light``.
"""

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache, partial
from itertools import groupby
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from _results import write_section

from starsize import fit_curves, load_setup, measure_offsets
from starsize.comparison import compare_sweeps
from starsize.curves import CurveSet, FocusCurve, focus_curve, inner_radii
from starsize.curves.design import STAR_NOISE_POWER, Outlook, design_of
from starsize.frames.tables import PlannedExposure
from starsize.optics.star import USUAL_PIXEL_UM
from starsize.photometry import measure_image
from starsize.plan import CapturePlan, plan_capture
from starsize.plan.equipment import Scouted, colour_of, equip
from starsize.setup import Camera, Focuser, Setup, Telescope
from starsize.simulate import (
    LENSES,
    RadiusTable,
    Shot,
    draw_exposure,
    planned_night,
    planned_scene,
    tabulate_radii,
    true_best_focus,
    write_night,
)
from starsize.simulate.planned import TUBE_PER_DEGC, start_times_s

RESULT = Path(__file__).parent / "results" / "plan.md"
SCRIPT = "scripts/plan_trials.py"
CENTRE = 10000
MJD = 60000.0


@dataclass(frozen=True)
class Trial:
    """An invented telescope: its setup, and the filters of its plan.

    ``scene`` is the practice telescope where it is not one that `simulate --plan` would draw; a
    night of the plan ``told_by`` told the colour of the lens.
    """

    setup: Setup
    filters: tuple[str, ...]
    scene: str = ""
    told_by: str = ""


def _setup(focal: float, aperture: float, hole: float, step: float, repeats: float) -> Setup:
    return Setup(
        telescope=Telescope(focal_length_mm=focal, aperture_mm=aperture, obstruction_mm=hole),
        camera=Camera(pixel_um=USUAL_PIXEL_UM),
        focuser=Focuser(um_per_step=step, repeatability_steps=repeats),
    )


#: Telescopes of which the setup states no more than a plan needs and how well the focuser repeats,
#: and one of them planned from an earlier result.
ACHROMAT = "achromat 102/1020"
TRIALS = {
    "refractor 87/480": Trial(_setup(480, 87, 0, 4.0, 0.6), ("L", "R", "G", "B")),
    ACHROMAT: Trial(_setup(1020, 102, 0, 8.5, 1.0), ("L", "R", "G", "B"), scene="achromat_f10"),
    f"{ACHROMAT} from a result": Trial(
        _setup(1020, 102, 0, 8.5, 1.0), ("L", "R", "G", "B"), "achromat_f10", told_by=ACHROMAT
    ),
    "refractor 130/910": Trial(_setup(910, 130, 0, 1.5, 2.0), ("L", "R", "G", "B", "OIII")),
    "mirror 200/800": Trial(_setup(800, 200, 70, 2.5, 0.6), ("L", "R", "G", "B", "Ha")),
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
    exposures: tuple[PlannedExposure, ...], world: "World", rng: np.random.Generator
) -> tuple[list[FocusCurve], np.ndarray]:
    """Focus curves of a night, and the true best focus of each sweep at its temperature.

    The tube is drawn anew each night, as ``planned_scene`` draws it.
    """
    table, scene, noise = world.table, world.table.scene, world.outlook.star_noise
    times = np.array(start_times_s(exposures)[:-1])
    off = min(table.zone_steps.values()) * rng.uniform(-1, 1)
    tube = TUBE_PER_DEGC * 1e3 * scene.lens.focal_length_mm / scene.focuser.um_per_step
    per_degC = -tube * rng.uniform(0.6, 1.4)
    curves, true = [], []
    for number, group in groupby(zip(exposures, times, strict=True), key=lambda e: e[0].sweep):
        some = list(group)
        name, start = some[0][0].filter, np.array([t for _, t in some])
        position = np.array([float(one.position_steps) for one, _ in some])
        warm = -start / 3600
        drift = per_degC * warm
        camera = position + world.zero_steps - off - drift
        camera = camera + scene.focuser.scatter_steps * rng.standard_normal(camera.size)
        seeing = np.exp(scene.sky.jitter * rng.standard_normal(camera.size))
        inner, radius = table.radii_px(name, camera, seeing)[:, :2].T
        floor = radius.min()
        share = noise[name] * (floor / radius) ** (1 - STAR_NOISE_POWER)
        inner, half = (r * (1 + share * rng.standard_normal(r.size)) for r in (inner, radius))
        curve = focus_curve(
            position, half, share * radius, filter=name, id=f"{name}-{number}",
            approach="outward", temperature_degC=10 + warm, time_mjd=MJD + start / 86400,
        )  # fmt: skip
        curves.append(replace(curve, inner=inner_radii(inner, half, curve.to_fit())))
        true.append(table.best_steps[name] - world.zero_steps + off + float(np.mean(drift)))
    return curves, np.array(true)


def moved(curves: CurveSet, shift: np.ndarray) -> CurveSet:
    """The fits of sweeps that the focuser scattered; a fit moves along with its zero."""
    fits = tuple(
        replace(fit, best_steps=fit.best_steps + float(by))
        for fit, by in zip(curves.fits, shift, strict=True)
    )
    return replace(curves, fits=fits)


@cache
def plan_of(name: str) -> CapturePlan:
    trial = TRIALS[name]
    return plan_capture(
        trial.setup, filters=trial.filters, position_steps=CENTRE, told=told_of(name)
    )


@cache
def told_of(name: str) -> Scouted | None:
    """What a night of another plan told of the lens."""
    by = TRIALS[name].told_by
    if not by:
        return None
    world = make_world(by, 0)
    fits = fitted(world, world.plan.exposures, 0, 999)[2]
    found = compare_sweeps(fits, setup=world.plan.setup)
    floor = next(f.floor_px.value for f in fits.answered if f.curve.filter == found.reference)
    return Scouted(floor_px=floor, colour_um=colour_of(found.colour.lens))


@dataclass(frozen=True)
class World:
    """A telescope with its plan, and the truth of it; the table counts from elsewhere."""

    plan: CapturePlan
    outlook: Outlook
    table: RadiusTable
    zero_steps: float = 0.0


def outlook_of(name: str) -> Outlook:
    trial = TRIALS[name]
    told = told_of(name)
    return equip(trial.setup, filters=trial.filters, position_steps=CENTRE, told=told).outlook


@cache
def make_world(name: str, seed: int) -> World:
    trial, plan = TRIALS[name], plan_of(name)
    if trial.scene:
        table = tabulate_radii(LENSES[trial.scene], trial.filters)
        return World(plan, outlook_of(name), table, table.best_steps[plan.reference] - CENTRE)
    scene = planned_scene(
        plan.exposures, trial.setup, rng=np.random.default_rng([seed, 31]), hfr_px=plan.hfr_px
    )
    return World(plan, outlook_of(name), tabulate_radii(scene, trial.filters, span=4.0))


def one_night(name: str, seed: int, night: int) -> dict[str, Any]:
    """Draw, fit and adjust a night as planned: errors of the offsets, and what is stated."""
    world = make_world(name, seed)
    plan, table = world.plan, world.table
    curves, best, fits, rng = fitted(world, plan.exposures, seed, night)
    refused = sum(not fit.answered for fit in fits.fits)
    if refused:
        return {"refused": refused}
    shift = (plan.setup.focuser.repeatability_steps or 0.0) * rng.standard_normal(len(curves))
    rows = compare_sweeps(moved(fits, shift), setup=plan.setup).rows
    found = {row.filter: row.offset_steps for row in rows if row.offset_steps is not None}
    zero = table.best_steps[plan.reference]
    return {
        "refused": 0,
        "miss": misses(fits, best),
        "error": {
            name: offset - (table.best_steps[name] - zero)
            for name, offset in found.items()
            if name != plan.reference
        },
        "stated": {row.filter: row.offset_sigma_steps for row in rows if row.filter in found},
    }


def wings_night(name: str, seed: int, night: int) -> float | None:
    """Variance of the misses of the same night with frames on both wings; None if refused."""
    world = make_world(name, seed)
    _, best, fits, _ = fitted(world, on_wings(world.plan), seed, night)
    return misses(fits, best) if len(fits.answered) == len(fits.fits) else None


def fitted(
    world: World, exposures: tuple[PlannedExposure, ...], seed: int, night: int
) -> tuple[list[FocusCurve], np.ndarray, CurveSet, np.random.Generator]:
    rng = np.random.default_rng([seed, 37, night])
    curves, best = drawn(exposures, world, rng)
    return curves, best, fit_curves(curves, setup=world.plan.setup), rng


def misses(fits: CurveSet, best: np.ndarray) -> float:
    """Variance of the misses of best focus about the night's mean."""
    return float(np.var([fit.best_steps for fit in fits.fits] - best, ddof=1))


def ratio(values: Sequence[float]) -> tuple[float, float]:
    """Rms of errors over what was predicted, and how well so few nights tell it."""
    rms = float(np.sqrt(np.mean(np.square(values))))
    return rms, rms / np.sqrt(2 * len(values))


def offset_lines(name: str, nights: Sequence[dict[str, Any]]) -> list[str]:
    """True errors of each filter against what the plan promised."""
    plan, lines = plan_of(name), []
    kept = [night for night in nights if not night["refused"]]
    for filter_name, told in plan.offsets.items():
        errors = [night["error"][filter_name] for night in kept if filter_name in night["error"]]
        if not errors:
            continue
        rms, sigma = ratio([error / told.sigma for error in errors])
        stated = np.median([night["stated"][filter_name] for night in kept]) / told.sigma
        lines.append(
            f"| {name} | {filter_name} | {len(errors)} | {told.sigma:.2f} ({told.frames:.2f}, "
            f"{told.focuser:.2f}, {told.temperature:.2f}) | {rms * told.sigma:.2f} "
            f"| {rms:.2f} +- {sigma:.2f} | {np.mean(errors) / told.sigma:+.2f} | {stated:.2f} "
            f"| {len(nights) - len(kept)} |"
        )
    return lines


def position_line(name: str, pairs: Sequence[tuple[float, float]]) -> str:
    """Best foci from the evenly spaced positions of the plan against those from the wings."""
    plan, outlook = plan_of(name), outlook_of(name)
    even, wings = np.sqrt(np.mean(pairs, axis=0))
    told = [promised(plan, some, outlook) for some in (plan.exposures, on_wings(plan))]
    return (
        f"| {name} | {len(pairs)} | {len(plan.away_steps)} | {told[0]:.3f} | {told[1]:.3f} "
        f"| {told[1] / told[0]:.2f} | {even:.3f} | {wings:.3f} | {wings / even:.2f} |"
    )


def night_of_frames(name: str, night_number: int) -> dict[str, Any]:
    """A plan drawn as frames and measured: errors of the offsets, and minutes."""
    seed = night_number + 1
    trial, plan = TRIALS[name], plan_of(name)
    night = planned_night(plan.exposures, plan.setup, seed=seed, hfr_px=plan.hfr_px)
    last = night.shots[-1]
    took = (last.begins - night.shots[0].begins).total_seconds() + last.shot.exposure_s
    with TemporaryDirectory() as folder:
        write_night(Path(folder), night, compressed=False)
        setup = load_setup(Path(folder) / "setup.toml")
        repeats = trial.setup.focuser.repeatability_steps
        setup = replace(setup, focuser=replace(setup.focuser, repeatability_steps=repeats))
        comparison = measure_offsets([folder], setup=setup).comparison
    true = night.truth.offset_steps
    return {
        "error": {
            row.filter: row.offset_steps - true[row.filter]
            for row in comparison.rows
            if row.offset_steps is not None and row.filter != plan.reference
        },
        "refused": sum(row.status == "refused" for row in comparison.rows),
        "planned": plan.duration_s / 60,
        "took": took / 60,
    }


def frame_lines(name: str, nights: Sequence[dict[str, Any]]) -> list[str]:
    lines = []
    for filter_name in dict.fromkeys(key for night in nights for key in night["error"]):
        errors = [night["error"][filter_name] for night in nights if filter_name in night["error"]]
        told = plan_of(name).offsets[filter_name].sigma
        pulls = [error / told for error in errors]
        rms, sigma = ratio(pulls)
        late = max(night["took"] / night["planned"] for night in nights)
        lines.append(
            f"| {name} | {filter_name} | {len(pulls)} | {rms:.2f} +- {sigma:.2f} "
            f"| {np.mean(pulls):+.2f} | {sum(night['refused'] for night in nights)} | {late:.2f} |"
        )
    return lines


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


class Store:
    """Nights kept from call to call, by kind, telescope and number."""

    def __init__(self, path: Path | None) -> None:
        self.path = path
        known = path.read_text(encoding="utf-8") if path and path.exists() else "{}"
        self.kept: dict[str, dict[str, Any]] = json.loads(known)

    def ask(self, kind: str, name: str, count: int, make: Any) -> list[Any]:
        """The first nights, those that are not known yet made."""
        nights = self.kept.setdefault(f"{kind} {name}", {})
        for number in range(count):
            if str(number) not in nights:
                nights[str(number)] = make(number)
                if self.path:
                    self.path.write_text(json.dumps(self.kept), encoding="utf-8")
        return [nights[str(number)] for number in range(count)]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=0, help="drawn as radii")
    parser.add_argument("--wings", type=int, default=0, help="of them with frames on both wings")
    parser.add_argument("--frames", type=int, default=0, help="drawn as frames")
    parser.add_argument("--light", action="store_true")
    parser.add_argument("--telescopes", default=",".join(TRIALS), help="comma separated")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--store", type=Path, help="JSON of nights that goes on from call to call")
    asked = parser.parse_args()
    store, offsets, positions, frames = Store(asked.store), [], [], []
    for name in asked.telescopes.split(","):
        if asked.nights:
            nights = store.ask("radii", name, asked.nights, partial(one_night, name, asked.seed))
            offsets += offset_lines(name, nights)
            wings = store.ask("wings", name, asked.wings, partial(wings_night, name, asked.seed))
            pairs = [
                (night["miss"], other)
                for night, other in zip(nights, wings, strict=False)
                if other is not None and not night["refused"]
            ]
            if pairs:
                positions.append(position_line(name, pairs))
        if asked.frames and not TRIALS[name].scene:
            seeds = store.ask("frames", name, asked.frames, partial(night_of_frames, name))
            frames += frame_lines(name, seeds)
    sections = [
        ("Offsets, drawn as radii", KEPT, offsets),
        ("Positions", AGAINST, positions),
        ("Drawn as frames", FRAMES, frames),
        ("Star noise of drawn frames, % of the radius (stars)", LIGHT, []),
    ]
    if asked.light:
        sections[-1] = (*sections[-1][:2], light_rows())
    for title, text, rows in sections:
        if rows:
            body = text + "\n" + "\n".join(rows)
            print(f"## {title}\n\n{body}\n", flush=True)
            write_section(title, body, script=SCRIPT, file=RESULT)


KEPT = (
    "Predicted: the plan's standard uncertainty (frames, focuser, cooling), steps. Mean: of the\n"
    "errors over predicted. Stated: median of what the table states, over predicted.\n\n"
    "| telescope | filter | nights | predicted | rms of true errors | over predicted | mean "
    "| stated | refused |\n|---|---|---|---|---|---|---|---|---|"
)
AGAINST = (
    "Rms error of best focus about the night's mean, no scatter of the focuser: evenly spaced as\n"
    "planned, and as many frames on both wings (2.5 to 4 times the size in focus) and one in focus;"
    "\npromised by the covariance, and drawn.\n\n"
    "| telescope | nights | frames | even, promised | wings, promised | ratio | even, drawn "
    "| wings, drawn | ratio |\n|---|---|---|---|---|---|---|---|---|"
)
FRAMES = (
    "Plan, drawn frames, `measure_offsets`: rms and mean of true errors over predicted, and the\n"
    "longest night over what was planned.\n\n"
    "| telescope | filter | nights | over predicted | mean | refused | took over planned |\n"
    "|---|---|---|---|---|---|---|"
)
LIGHT = (
    "| filter | exposure s | light nm s | in focus | 30 steps off | 60 steps off |\n"
    "|---|---|---|---|---|---|"
)

if __name__ == "__main__":
    main()
