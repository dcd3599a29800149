"""Whole nights, drawn as people have them, through the whole program: what is kept, how true it is.

Every scene is drawn with several seeds (other stars, noise, seeing, positions), written to FITS in
a temporary folder and handed to ``measure_offsets``. Truth is the simulator's: the position of the
smallest half-flux radius of the light as it falls, mean over the field, and that radius in every
frame. Per scene:

- left out: frames without a radius; wrongly: with a star of signal-to-noise 10 or more in them that
  is whole and not burnt out
- refused: filters without an offset
- offsets: rms and greatest error in zones, rms and greatest error over the stated sigma
- sweeps: rms error of best focus over its stated sigma
- radii: median and robust scatter of measured over true, in per cent, sweep by sweep

Run: ``python scripts/trial_nights.py --scenes wind,crowded --seeds 10 --processes 2``; without
``--scenes`` all of them. ``--random 60 --first 1`` draws telescopes, skies and stars themselves
(``_random_night.py``), one night each. ``--label`` heads the table, and takes the place of one of
the same name; ``--out`` names the file.
"""

import argparse
import traceback
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from _random_night import random_scenario
from _results import write_section

from starsize import load_setup, measure_offsets
from starsize.errors import InputError
from starsize.simulate import (
    SCENARIOS,
    Night,
    Scenario,
    frame_best_focus,
    frame_radius_px,
    place_stars,
    simulate_night,
    star_field,
    write_night,
)
from starsize.simulate.night import PlannedShot
from starsize.simulate.truth import measured_filters

RESULTS = Path(__file__).parent / "results" / "trial_nights.md"
SEEN = 10.0
FAR = 3.0
HEAD = (
    "| scene | nights | frames | left out | wrongly | refused | offsets: rms zones | worst "
    "| rms of error/sigma | worst | sweeps: rms of error/sigma | radii: bias % | scatter % |\n"
    "|---|---|---|---|---|---|---|---|---|---|---|---|---|"
)


@dataclass
class Trial:
    """What came of some nights: one entry a frame, filter, offset or sweep."""

    nights: int = 0
    left_out: list[bool] = field(default_factory=list)
    wrongly: list[str] = field(default_factory=list)
    refused: list[bool] = field(default_factory=list)
    zones: list[float] = field(default_factory=list)
    sigmas: list[float] = field(default_factory=list)
    sweep_sigmas: list[float] = field(default_factory=list)
    bias: list[float] = field(default_factory=list)
    scatter: list[float] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def scenario(name: str) -> Scenario:
    """A scenario by name; ``random 17`` is drawn at random."""
    return random_scenario(int(name[6:])) if name.startswith("random") else SCENARIOS[name]


@lru_cache(maxsize=4)
def best_focus(name: str) -> dict[str, float]:
    """Truth of a scene by filter; seeds do not change it."""
    chosen = scenario(name)
    filters = measured_filters(chosen.scene, chosen.plan)
    return {f: frame_best_focus(chosen.scene, f) for f in filters}


def night_of(name: str, seed: int) -> Night:
    chosen = scenario(name)
    scene = replace(chosen.scene, stars=replace(chosen.scene.stars, seed=1000 + seed))
    return simulate_night(
        scene, chosen.plan, seed=1000 + seed, styles=chosen.styles, best_steps=best_focus(name)
    )


def one_night(job: tuple[str, int]) -> Trial:
    name, seed = job
    night, trial = night_of(name, seed), Trial(nights=1)
    with TemporaryDirectory() as folder:
        write_night(Path(folder), night, compressed=False)
        try:
            result = measure_offsets([folder], setup=load_setup(Path(folder) / "setup.toml"))
        except InputError as error:
            result = None
            trial.notes.append(f"{name} {seed}: {error}".replace(folder, "FOLDER"))
        except Exception:
            result = None
            trial.notes.append(f"{name} {seed}: {traceback.format_exc().splitlines()[-1]}")
    readings = {}
    if result is not None:
        for sweep in result.measured:
            for frame in sweep.frames:
                readings[frame.facts.path.name.split(".")[0], frame.channel] = frame
    judge_frames(night, readings, trial)
    rows = {row.filter: row for row in result.comparison.rows} if result else {}
    judge_offsets(night, rows, trial)
    if result is not None:
        judge_sweeps(night, zip(result.measured, result.curves.fits, strict=True), trial)
    return trial


def judge_frames(night: Night, readings: dict, trial: Trial) -> None:
    """Frames kept, and their radii against the truth."""
    channels = ("R", "G", "B") if night.scene.sensor.bayer else ("",)
    ratios: dict[tuple[int, str], list[float]] = {}
    for planned in night.shots:
        style = night.styles[planned.sweep * len(night.styles) // len(night.plan.order)]
        for channel in channels:
            frame = readings.get((f"{style.prefix}{planned.number + 1:04d}", channel))
            truth = frame_radius_px(night.scene, planned.shot, channel or None)
            kept = frame is not None and np.isfinite(frame.radius_px)
            trial.left_out.append(not kept)
            if frame is not None and kept:
                ratio = 100 * np.log(frame.radius_px / truth)
                ratios.setdefault((planned.sweep, channel), []).append(ratio)
            elif (seen := best_signal_to_noise(night, planned, truth)) >= SEEN:
                why = frame.reason if frame is not None else "not among the sweeps"
                trial.wrongly.append(f"radius {truth:.1f} px, signal-to-noise {seen:.0f}: {why}")
    for some in ratios.values():
        middle = np.median(some)
        trial.bias.append(float(middle))
        trial.scatter.extend((np.array(some) - middle).tolist())


def best_signal_to_noise(night: Night, planned: PlannedShot, radius_px: float) -> float:
    """Of the brightest whole star not burnt out: its light over the noise within two radii."""
    scene, shot = night.scene, planned.shot
    through = scene.filters[shot.filter].throughput * shot.exposure_s * (1 - shot.cloud)
    stars = place_stars(
        star_field(scene.stars, scene.sensor.shape), scene.sensor.shape, shot.pointing
    )
    rows, columns = scene.sensor.shape
    edge = 2 * radius_px
    x, y = stars[:, 0], stars[:, 1]
    whole = (x > edge) & (x < columns - edge) & (y > edge) & (y < rows - edge)
    # The middle of a Gaussian star holds 1 / (4.53 r^2) of its light a pixel.
    full = scene.sensor.full_well_adu * scene.sensor.gain_e_per_adu * 4.53 * radius_px**2
    light = stars[whole, 2] * through
    light = float(light[light < full].max(initial=0.0))
    sky = through * (scene.sky.glow_e_per_s + 2 * scene.sky.nebula_e_per_s)
    sky += shot.exposure_s * scene.sensor.amplifier_e_per_s / 4 + scene.sensor.read_noise_e**2
    sky += (scene.sensor.step_adu * scene.sensor.gain_e_per_adu) ** 2 / 12
    return light / float(np.sqrt(light + np.pi * (2 * radius_px) ** 2 * sky + 1e-9))


def judge_offsets(night: Night, rows: dict, trial: Trial) -> None:
    """Offsets of all filters but the reference, from the reference that was used."""
    truth = night.truth
    for name in truth.best_focus_steps:
        row = rows.get(name)
        answered = row is not None and row.offset_steps is not None
        trial.refused.append(not answered)
        if not answered:
            why = row.reason if row else "no sweep"
            trial.notes.append(f"{night.scene.telescope} {night.seed}: {name} refused: {why}")
        if row is None or not answered or name == row.reference:
            continue
        true_offset = truth.best_focus_steps[name] - truth.best_focus_steps[row.reference]
        error = row.offset_steps - true_offset
        trial.zones.append(error / truth.zone_steps[name])
        trial.sigmas.append(error / row.offset_sigma_steps)
        if abs(trial.sigmas[-1]) > FAR:
            trial.notes.append(
                f"{night.scene.telescope} {night.seed}: {name} off by {trial.zones[-1]:.2f} zones, "
                f"{trial.sigmas[-1]:.1f} sigma"
            )


def judge_sweeps(night: Night, fitted: Iterable, trial: Trial) -> None:
    for sweep, fit in fitted:
        if not fit.answered:
            continue
        first = min(frame.facts.path.name for frame in sweep.frames).split(".")[0]
        number = next(p.sweep for p in night.shots if int(first.rsplit("_", 1)[1]) == p.number + 1)
        true = night.truth.sweeps[number]
        best = true.best_focus_steps
        if sweep.filter != true.filter:
            best += (
                night.truth.best_focus_steps[sweep.filter]
                - night.truth.best_focus_steps[true.filter]
            )
        trial.sweep_sigmas.append((fit.best_steps - best) / fit.best_sigma_steps)


def together(trials: Iterable[Trial]) -> Trial:
    total = Trial()
    for trial in trials:
        for name, value in asdict(trial).items():
            setattr(total, name, getattr(total, name) + value)
    return total


def line(name: str, trial: Trial) -> str:
    def rms(values: list[float]) -> str:
        return f"{np.sqrt(np.mean(np.square(values))):.3f}" if values else "-"

    def worst(values: list[float]) -> str:
        return f"{np.max(np.abs(values)):.2f}" if values else "-"

    bias = f"{np.median(trial.bias):+.2f}" if trial.bias else "-"
    scatter = f"{1.4826 * np.median(np.abs(trial.scatter)):.2f}" if trial.scatter else "-"
    return (
        f"| {name} | {trial.nights} | {len(trial.left_out)} | {sum(trial.left_out)} "
        f"| {len(trial.wrongly)} | {sum(trial.refused)} of {len(trial.refused)} "
        f"| {rms(trial.zones)} | {worst(trial.zones)} | {rms(trial.sigmas)} "
        f"| {worst(trial.sigmas)} | {rms(trial.sweep_sigmas)} | {bias} | {scatter} |"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", default="", help="comma-separated; all by default")
    parser.add_argument("--random", type=int, default=0, help="nights drawn at random instead")
    parser.add_argument("--seeds", type=int, default=2)
    parser.add_argument("--first", type=int, default=1, help="first seed")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--label", default="")
    parser.add_argument("--out", type=Path, default=RESULTS)
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.seeds)
    scenes = asked.scenes.split(",") if asked.scenes else list(SCENARIOS)
    jobs = {name: [(name, seed) for seed in seeds] for name in scenes}
    if asked.random:
        last = asked.first + asked.random - 1
        numbers = range(asked.first, last + 1)
        jobs = {f"random {asked.first} to {last}": [(f"random {n}", 0) for n in numbers]}
    title = asked.label or ", ".join(jobs)
    lines, notes, whole = [HEAD], [], Trial()
    print(HEAD, flush=True)
    with ProcessPoolExecutor(asked.processes) as pool:
        for name, nights in jobs.items():
            trial = together(pool.map(one_night, nights))
            whole = together((whole, trial))
            lines.append(line(name, trial))
            print(lines[-1], flush=True)
            notes += trial.notes + sorted({f"{name}: {why}" for why in trial.wrongly})[:4]
            # What was measured stays if the rest is cut off.
            rows = [*lines, *([line("all", whole)] if len(lines) > 2 else [])]
            body = "\n".join([*rows, "", *(f"- {note}" for note in notes)])
            script = f"trial_nights.py --seeds {asked.seeds} --first {asked.first}"
            write_section(title, body, script=script, file=asked.out)
    print(line("all", whole), *notes, sep="\n")


if __name__ == "__main__":
    main()
