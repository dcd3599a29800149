"""Nights of ordinary exposures at the level of radii: how true the words are, how soon they come.

Nights of several kinds are drawn by wave optics of their own (``starsize.simulate``): 60 frames
through L, R, G and B in blocks of five, 200 stars. The telescope is known from drawn sweeps (a
result folder), or from its figures alone. Truth is the growth of the half-flux radius by defocus
at the frame's own seeing. The air is Kolmogorov's, which the model's law holds, or a Moffat's with
exponent 3.5 that is the same in all colours, which it does not. Per telescope, knowledge, air and
kind of night:

- lost true: of frames called ``lost``, those that have grown by more than half the limit
- held true: of frames called ``held``, those that have grown by less than one and a half times it
- unclear: share of all frames, and for the ideal observer: the same model told the star exactly
- live in 4, after in 4: of nights that pass the limit for good, those called within four frames of
  that, by the past alone and by the whole night; and the median delay in frames
- ideal in 4: the same live for the ideal observer
- quiet: nights without a false ``lost`` (growth below half the limit)
- zones: rms error of defocus beyond one zone; within 1 sigma: how often; said: the same of frames
  that are said to be beyond one zone, for of those that truly are an estimate which leans to focus
  must fall short
- named: nights in which just the filter that is off is named (of every fifth night without one:
  in which none is), how often its side is told, and the same of the ideal observer
- cause: of frames in cloud or wind, those that are said to be

Nights "as believed" are drawn from the priors of the model itself (`NightPriors`): there
probabilities must be right if nothing is counted twice (simulation-based calibration; Talts et al.
2018, from memory). In the others the observer is more careful and focus steadier.

How many frames of each band of probability are truly lost stands below. Every call writes its
section of ``scripts/results/night.md`` from all nights of this commit; those of a call that was cut
off are kept (``--kept``) and not drawn again.

In a tilted or curved field the slopes of the radius over the frame tell too (``--field``); "without
slopes" leaves them out.

Run: ``python scripts/night_trials.py --scene triplet_f5.5 --known sweeps --nights 20``, and so on.
"""

import argparse
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from _nights import BELIEVED, KINDS, STRETCH, TOGETHER, Kept, Tally, planned, together
from _results import write_section
from _sweeps import drawn_curve

from starsize.estimate import Estimate
from starsize.night.causes import causes
from starsize.night.course import Course, prepare_course
from starsize.night.judge import FilterOffset, FrameFocus, LiveNight, find_offsets, follow
from starsize.night.learn import equipment_from_fits, equipment_from_setup, learn_shape
from starsize.night.model import DEFOCUS_ZONES
from starsize.night.observed import Exposure, with_scatter
from starsize.night.telescope import Equipment, StarTable
from starsize.setup import Camera, Focuser, Setup, Telescope
from starsize.simulate import LENSES, PointsPlan, RadiusTable, draw_points, tabulate_radii
from starsize.simulate.long_night import LongNight, LongNightPlan, live_through
from starsize.simulate.long_night_points import (
    NightPoints,
    PointNoise,
    draw_night_points,
    zone_steps,
)
from starsize.steps import fit_curves

RESULT = Path(__file__).parent / "results" / "night.md"
SCRIPT = "scripts/night_trials.py"
FILTERS = ("L", "R", "G", "B")
SWEPT = ("L", "R", "G", "L", "B", "L")
"""The sweeps of the result folder: the reference repeated, as the README asks for."""
KNOWN = ("sweeps", "sweeps without slopes", "figures")
FOLDERS = 5
FOLDERS_SEED = 201
"""So many result folders take turns, for all nights known by one share its errors."""
LIMIT = 0.1
FIELDS = {"flat": (0.0, 0.0, 0.0), "tilted": (0.6, 0.3, 0.0), "curved": (0.0, 0.0, 1.0)}
"""Focus at the edges and corners against the centre, zones."""


@dataclass(frozen=True)
class World:
    """A telescope: truth, and what is known of it."""

    table: RadiusTable
    known: Equipment
    offsets: dict[str, float]
    zone: float


def make_worlds(name: str, knowledge: str, air: str, seed: int, field: str = "flat") -> list[World]:
    """The telescope, known from one result folder or another, or from its figures."""
    scene = LENSES[name]
    scene = replace(scene, sky=replace(scene.sky, kolmogorov=air == "kolmogorov"))
    table = replace(tabulate_radii(scene, FILTERS), field_zones=FIELDS[field])
    lens = scene.lens
    aperture = lens.focal_length_mm / lens.focal_ratio
    setup = Setup(
        telescope=Telescope(
            focal_length_mm=lens.focal_length_mm,
            aperture_mm=aperture,
            obstruction_mm=lens.obstruction * aperture,
        ),
        camera=Camera(pixel_um=scene.sensor.pixel_um),
        focuser=Focuser(um_per_step=scene.focuser.um_per_step),
    )
    zone = zone_steps(table)
    if knowledge == "figures":
        offsets = {name: table.best_steps[name] - table.best_steps["L"] for name in FILTERS}
        return [World(table, equipment_from_setup(setup, FILTERS), offsets, zone)]
    folders = [swept(table, setup, seed + k) for k in range(FOLDERS)]
    if knowledge == "sweeps without slopes":
        folders = [(replace(known, field=None), offsets) for known, offsets in folders]
    return [World(table, known, offsets, zone) for known, offsets in folders]


def swept(table: RadiusTable, setup: Setup, seed: int) -> tuple[Equipment, dict[str, float]]:
    """The telescope as drawn sweeps show it, and the offsets that they give."""
    sweeps = draw_points(table, PointsPlan(order=SWEPT), seed=seed)
    fits = fit_curves([drawn_curve(s) for s in sweeps], setup=setup).fits
    best = [fit.best_steps for fit in fits]
    mean = {name: np.mean([b for b, s in zip(best, sweeps, strict=True) if s.filter == name])
            for name in FILTERS}  # fmt: skip
    offsets = {name: float(place - mean["L"]) for name, place in mean.items()}
    learnt = equipment_from_fits(
        fits,
        setup=setup,
        offset_steps={name: Estimate(value, 0.5) for name, value in offsets.items()},
        reference="L",
    )
    if learnt is None:
        msg = "the sweeps were refused"
        raise RuntimeError(msg)
    steep = 0.003 * np.sqrt((3.0, 3.0, 22.5))  # as `drawn_slopes` has it
    noise = np.random.default_rng([seed, 29])
    frames = [
        Exposure(
            file="",
            filter=s.filter,
            position_steps=float(place) - zero,
            hfr_px=float(row[1]),
            shape=float(row[2] / row[1]),
            shape_sigma=float(0.0036 * row[2] / row[1]),
            slopes=tuple(slopes + np.hypot(steep, 0.003) * noise.standard_normal(3)),
            slopes_sigma=tuple(steep),
        )
        for s, zero in zip(sweeps, best, strict=True)
        for place, row, slopes in zip(
            s.position_steps,
            s.radius_px,
            table.slopes(s.filter, s.position_steps, s.seeing),
            strict=True,
        )
    ]
    return learn_shape(learnt, frames), offsets


def exposures_of(world: World, night: LongNight, points: NightPoints) -> list[Exposure]:
    return [
        Exposure(
            file=f"{k + 1:04d}",
            filter=name,
            time_mjd=60000 + night.hours[k] / 24,
            position_steps=12000 + world.offsets[name] + world.zone * night.moved_zones[k],
            temperature_degC=night.temperature_degC[k],
            altitude_deg=night.altitude_deg[k],
            hfr_px=points.radius_px[k],
            hfr_sigma_px=points.radius_sigma_px[k],
            shape=points.shape[k],
            shape_sigma=points.shape_sigma[k],
            stars=int(points.stars[k]),
            found=int(points.stars[k]),
            light_adu=points.light_adu[k],
            elongation=points.elongation[k],
            background_adu=points.background_adu[k],
            slopes=tuple(points.slopes[k]),
            slopes_sigma=tuple(points.slopes_sigma[k]),
        )
        for k, name in enumerate(night.filters)
    ]


def ideal_course(world: World, course: Course) -> Course:
    """The same course, told the star exactly."""
    tables = {}
    grid = course.chain.log_seeing
    inside = np.clip(grid - np.log(_scene_seeing_px(world)), np.log(0.6), np.log(1.9))
    for name in FILTERS:
        places = world.table.best_steps[name] + world.zone * DEFOCUS_ZONES
        rows = [world.table.radii_px(name, places, np.full(places.size, np.exp(v))) for v in inside]
        radius = np.stack([r[:, 1] for r in rows], 1)
        shape = np.stack([r[:, 2] / r[:, 1] for r in rows], 1)
        # Beyond the truth's own table the radius goes on rising, so that the seeing is bounded.
        rise = 0.9 * (grid - np.log(_scene_seeing_px(world)) - inside)
        tables[name] = StarTable(
            grid, (np.log(radius) + rise)[None], np.log(shape)[None], np.zeros(1, bool)
        )
    nodes = course.nodes.part(course.nodes.star == course.nodes.star[0])
    # Nor does it doubt what filters lack by themselves.
    known = replace(course.equipment, shape_differs=dict.fromkeys(FILTERS, 0.0))
    return replace(course, equipment=known, tables=tables, nodes=nodes)


def _scene_seeing_px(world: World) -> float:
    scene = world.table.scene
    return scene.seeing_um / scene.sensor.pixel_um


def delay(frames: Sequence[FrameFocus], growth: np.ndarray) -> float | None:
    """Frames from passing the limit for good to the first call; None where it is not passed."""
    beyond = growth > LIMIT
    if not beyond[-5:].all() or beyond[:5].any():
        return None
    first = int(np.flatnonzero(~beyond)[-1]) + 1
    called = [k for k in range(first, len(frames)) if frames[k].state == "lost"]
    early = [k for k in range(max(first - 8, 0), first) if frames[k].state == "lost"]
    if early:
        return 0.0
    return float(called[0] - first) if called else float("inf")


def followed(course: Course, exposures: Sequence[Exposure]) -> list[FrameFocus]:
    """Each frame judged by itself and those before it."""
    live = LiveNight(course)
    return [live.add(one) for one in exposures]


def judge_offsets(plan: LongNightPlan, offsets: Sequence[FilterOffset], tally: Tally) -> None:
    """Who is named, how far off, and on which side."""
    wrong = [one.filter for one in offsets if one.agrees is False]
    tally.named.append(wrong == ([plan.wrong_filter] if plan.wrong_filter else []))
    if plan.wrong_filter:
        off = next(one for one in offsets if one.filter == plan.wrong_filter)
        error = abs(off.change_zones) - plan.wrong_zones
        if off.side_known:
            tally.sides.append(bool(off.change_zones * plan.wrong_zones < 0))
            error = off.change_zones + plan.wrong_zones
        tally.change.append((error, error / off.change_sigma_zones))


def judge_ideal_offsets(plan: LongNightPlan, best: Course, tally: Tally) -> None:
    """The same of the ideal observer."""
    alone = Tally()
    judge_offsets(plan, find_offsets(best, follow(best))[1], alone)
    tally.ideal_named += alone.named
    tally.ideal_change += [error for error, _ in alone.change]


def ten_nights(world: World, plan: LongNightPlan, seed: int, tally: Tally) -> None:
    """Ten nights with the same table, given together; only its offsets are asked."""
    exposures = []
    for k in range(10):
        night = live_through(plan, seed=10 * seed + k)
        points = draw_night_points(world.table, night, PointNoise(), seed=10 * seed + k)
        exposures += [
            replace(one, file=f"{k}-{one.file}", time_mjd=one.time_mjd + k)
            for one in exposures_of(world, night, points)
        ]
    exposures = list(with_scatter(exposures))
    course = prepare_course(exposures, world.known, limit=LIMIT)
    tally.frames += len(exposures)
    judge_offsets(plan, find_offsets(course, follow(course))[1], tally)
    judge_ideal_offsets(plan, ideal_course(world, course), tally)


def one_night(world: World, plan: LongNightPlan, seed: int, tally: Tally) -> None:
    night = live_through(plan, seed=seed)
    points = draw_night_points(world.table, night, PointNoise(), seed=seed)
    exposures = with_scatter(exposures_of(world, night, points))
    course = prepare_course(exposures, world.known, limit=LIMIT)
    focus = follow(course)
    offsets: tuple[FilterOffset, ...] = ()
    if plan.wrong_filter or seed % 5 == 0:  # asking takes longer than all the rest
        focus, offsets = find_offsets(course, focus)
    why = causes(course, focus, offsets)
    growth = points.growth
    tally.frames += len(exposures)
    best = ideal_course(world, course)
    told = follow(best).frames
    tally.ideal_unclear += sum(frame.state == "unclear" for frame in told)
    for k, frame in enumerate(focus.frames):
        tally.unclear += frame.state == "unclear"
        tally.calls.append((frame.probability_lost, bool(growth[k] > LIMIT)))
        if frame.state == "lost":
            tally.lost.append(bool(growth[k] > LIMIT / 2))
        elif frame.state == "held":
            tally.held.append(bool(growth[k] < 1.5 * LIMIT))
        true = night.defocus_zones[k]
        if np.isfinite(exposures[k].hfr_px):
            error = (
                frame.defocus_zones - true
                if frame.side_known
                else abs(frame.defocus_zones) - abs(true)
            )
            if abs(true) > 1:
                tally.zones.append(error)
                tally.sigmas.append(error / frame.defocus_sigma_zones)
            if abs(frame.defocus_zones) > 1:
                tally.said.append(error / frame.defocus_sigma_zones)
        if night.cloud[k] > 0.5 or np.hypot(*night.smear_px[k]) > 0:
            said = "cloud" if night.cloud[k] > 0.5 else "wind or guiding"
            tally.cause.append(why[k] == said or (why[k] != "" and growth[k] > LIMIT))
    tally.false.append(
        any(f.state == "lost" and growth[k] < LIMIT / 2 for k, f in enumerate(focus.frames))
    )
    if offsets:
        judge_offsets(plan, offsets, tally)
    if offsets and plan.wrong_filter:
        judge_ideal_offsets(plan, best, tally)
    late = delay(focus.frames, growth)
    if late is not None and not plan.wrong_filter:
        tally.after.append(late)
        for known, into in ((course, tally.live), (best, tally.ideal)):
            called = delay(followed(known, exposures), growth)
            into.append(float("inf") if called is None else called)


HEAD = (
    "| night | nights | lost true | held true | unclear | ideal | live in 4 | delay "
    "| after in 4 | delay | ideal in 4 | delay | quiet | zones | within 1 sigma | said | named "
    "| cause |\n|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|---|"
)


def named(tally: Tally) -> str:
    """How many are named rightly, and the rms error of the change, in zones and in sigmas."""
    if not tally.named:
        return "-"
    text = f"{sum(tally.named)} of {len(tally.named)}"
    if tally.change:
        zones, sigmas = np.sqrt(np.mean(np.square(tally.change), axis=0))
        text += f", rms {zones:.2f} zones, {sigmas:.1f} sigma"
        text += f"; side told {len(tally.sides)} times, right {sum(tally.sides)}"
    if tally.ideal_change:
        text += f"; ideal {sum(tally.ideal_named)} of {len(tally.ideal_named)}"
        text += f", rms {np.sqrt(np.mean(np.square(tally.ideal_change))):.2f}"
    return text


def row(kind: str, nights: int, tally: Tally) -> str:
    def share(values: Sequence[bool]) -> str:
        return f"{100 * np.mean(values):.1f} % of {len(values)}" if len(values) else "-"

    def late(values: Sequence[float]) -> tuple[str, str]:
        if not values:
            return "-", "-"
        return share([v <= 4 for v in values]), f"{np.median(values):.0f}"

    zones = f"{np.sqrt(np.mean(np.square(tally.zones))):.2f}" if tally.zones else "-"
    cells = [
        kind, str(nights), share(tally.lost), share(tally.held),
        f"{100 * tally.unclear / tally.frames:.1f} %",
        f"{100 * tally.ideal_unclear / tally.frames:.1f} %", *late(tally.live), *late(tally.after),
        *late(tally.ideal), share([not f for f in tally.false]), zones,
        share([abs(s) < 1 for s in tally.sigmas]), share([abs(s) < 1 for s in tally.said]),
        named(tally), share(tally.cause),
    ]  # fmt: skip
    return "| " + " | ".join(cells) + " |"


def calibration(what: str, tallies: Sequence[Tally]) -> list[str]:
    if not tallies:
        return []
    calls = [call for tally in tallies for call in tally.calls]
    chance, true = (np.array(column) for column in zip(*calls, strict=True))
    lines = ["", f"| given, {what} | frames | mean given | truly lost |", "|---|---|---|---|"]
    for low, high in (
        (0, 0.05),
        (0.05, 0.2),
        (0.2, 0.4),
        (0.4, 0.6),
        (0.6, 0.8),
        (0.8, 0.95),
        (0.95, 1),
    ):
        these = (chance >= low) & (chance <= high)
        if these.any():
            lines.append(
                f"| {low} to {high} | {these.sum()} | {chance[these].mean():.3f} "
                f"| {true[these].mean():.3f} |"
            )
    return lines


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--scene", default="triplet_f5.5", choices=LENSES)
    parser.add_argument("--known", default="sweeps", choices=KNOWN)
    parser.add_argument("--field", default="flat", choices=FIELDS)
    parser.add_argument("--air", default="kolmogorov", choices=("kolmogorov", "moffat"))
    parser.add_argument("--kinds", default=",".join([*KINDS, BELIEVED]))
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--seed", type=int, default=100)
    parser.add_argument("--kept", type=Path, default=Path(tempfile.gettempdir()) / "nights.jsonl")
    asked = parser.parse_args()
    air = {"kolmogorov": "Kolmogorov's", "moffat": "a Moffat's"}[asked.air]
    title = f"{asked.scene}, known by its {asked.known}, {air} air"
    title += "" if asked.field == "flat" else f", {asked.field} field"
    kept = Kept(asked.kept, title)
    worlds: list[World] = []
    for seed in range(asked.seed, asked.seed + asked.nights):
        for kind in asked.kinds.split(","):
            if kept.has(kind, seed):
                continue
            worlds = worlds or make_worlds(
                asked.scene, asked.known, asked.air, FOLDERS_SEED, asked.field
            )
            plan = planned(kind, seed, STRETCH.get(asked.scene, 1.0))
            tally = Tally()
            draw = ten_nights if kind == TOGETHER else one_night
            draw(worlds[seed % len(worlds)], plan, seed, tally)
            kept.add(kind, seed, tally)
        # After each seed, so that a long trial that is cut off leaves what it has.
        report(kept, asked.scene, asked.seed)


def report(kept: Kept, scene: str, first: int) -> None:
    """Write the section of a telescope from the nights that are there."""
    text = f"Seeds from {first}, radii only; limit 10 %."
    far = STRETCH.get(scene, 1.0)
    if far != 1:
        text += f" Focus goes {far:g} times as far as in the refractor's nights."
    rows = [
        row(kind, len(kept.of(kind)), together(kept.of(kind)))
        for kind in [*KINDS, BELIEVED, TOGETHER]
        if kept.of(kind)
    ]
    others = [tally for kind in KINDS for tally in kept.of(kind)]
    tables = calibration("all kinds", others) + calibration(BELIEVED, kept.of(BELIEVED))
    body = "\n".join([text, "", HEAD, *rows, *tables])
    write_section(kept.title, body, script=SCRIPT, file=RESULT)


if __name__ == "__main__":
    main()
