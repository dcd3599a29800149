"""What is said of the focuser, the temperature and the field, against what was drawn.

Run: ``python scripts/focuser_trials.py --parts slips,play --runs 500``; without ``--parts`` all of
them, one after another. Each part is a section of scripts/results/focuser_trials.md. Sweeps are
drawn at the level of best focus, flat starts and stars at that of radii; no pixels (those:
field_frames.py). The zone of L is 13.5 steps, a tenth of it 1.35.
"""

import argparse
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from functools import partial

import numpy as np
from _play_nights import ALONE, SEVEN_NARROW, SEVEN_USUAL, THREE_NARROW, starts
from _results import write_section
from _sweeps import REFRACTOR, curves_of
from scipy.stats import chi2, t as student

from starsize.comparison.compared import FieldReport
from starsize.comparison.field import FieldSweep, Frame, field_of_focus
from starsize.comparison.offsets.adjustment import P68, Adjustment, Interval
from starsize.comparison.offsets.changes import Changes, adjusted_sweeps
from starsize.comparison.offsets.found import Scale
from starsize.comparison.offsets.sweeps import data_of_curves
from starsize.comparison.offsets.terms import expected_scatter
from starsize.conventions import Approach
from starsize.estimate import Estimate
from starsize.simulate.field_points import FieldDraw, FieldPlan, draw_field
from starsize.simulate.sweep_night import SweepDraw, SweepNight

TEN = ("L", "R", "G", "B") * 2 + ("L", "R")
COOLING = SweepNight(steps_per_degC=-6.0, warm=12.0, cold=8.0)
TENTH_ZONE = 1.35


@dataclass(frozen=True)
class Offsets:
    """Errors of the offsets of one night, their sigmas, 95 and 99.7 % half-widths, steps."""

    error: np.ndarray
    sigma: np.ndarray
    half95: np.ndarray
    half997: np.ndarray


def adjusted(draws: Iterable[SweepDraw], setup=REFRACTOR) -> tuple[Adjustment, Changes]:
    """The adjustment that a comparison rests on."""
    data = data_of_curves(curves_of(draws))
    return adjusted_sweeps(data, setup)


def offsets_of(found: Adjustment, night: SweepNight) -> Offsets:
    offsets = {name: one for name, one in found.offsets("L").items() if name != "L"}
    error = np.array([one.value - night.offsets[name] for name, one in offsets.items()])
    sigma, half95, half997 = (
        np.array([getattr(one, name) for one in offsets.values()])
        for name in ("sigma", "half95", "half997")
    )
    return Offsets(np.abs(error), sigma, half95, half997)


def joined(parts: Sequence[Offsets]) -> Offsets:
    return Offsets(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(Offsets)))


def judged(o: Offsets) -> str:
    return (
        f"{np.sqrt(np.mean(o.error**2)):.2f} | {share(o.error < TENTH_ZONE)} "
        f"| {share(o.error < o.sigma)} | {share(o.error > o.half95)} "
        f"| {share(o.error > 3 * o.sigma)} | {share(o.error > o.half997)} "
        f"| {np.max(o.error / o.half997):.2f}"
    )


JUDGED = "offsets rms | within 0.1 zone | within sigma | beyond 95 % | beyond 3 sigma "
JUDGED += "| beyond 99.7 % | worst over 99.7 %"


def slips(runs: int) -> str:
    """A slip of 40 steps in a gap drawn by chance, and the same nights without."""
    lines = [
        "Beyond 3 sigma, Student: the share that Student's t has beyond three of its 68.3 % "
        "half-widths, with as many degrees of freedom as the night leaves. Common: the scatter of "
        "each night is drawn from what is common of focusers.",
        "",
        f"| order | fits, scatter | slip | in the right gap | slips said | {JUDGED} | Student |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    orders = {
        "L R G B twice, L R": TEN,
        "L R G three times, L": ("L", "R", "G") * 3 + ("L",),
        "L R five times": ("L", "R") * 5,
    }
    for i, (name, order) in enumerate(orders.items()):
        for j, (fit, scatter) in enumerate(((0.2, 0.3), (0.5, 1.0), (0.5, 2.0), (0.5, None))):
            for size in (40.0, 0.0):
                night = replace(COOLING, order=order, fit_sigma=fit, scatter=scatter or 1.0)
                row = _slip_row(night, size, runs, [15, i, j, int(size)], common=scatter is None)
                free = len(order) - len(set(order)) - 1 - bool(size)
                beyond = 2 * student.sf(3 * student.isf((1 - P68) / 2, free), free)
                said = f"{fit}, {scatter or 'common'}"
                lines.append(f"| {name} | {said} | {size:g} | {row} {100 * beyond:.1f} % |")
                print(lines[-1], flush=True)
    return "\n".join(lines)


def hidden(runs: int) -> str:
    """Every filter exactly twice under even cooling: a slip half-way looks like a slope."""
    lines = [
        f"| L R G B twice | slip, half-way | in the right gap | slips said | {JUDGED} | in doubt |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    base = replace(COOLING, order=("L", "R", "G", "B") * 2, fit_sigma=0.5, scatter=0.5)
    nights = {"even cooling": base, "cooling that settles": replace(base, settling=1.5)}
    for i, (name, night) in enumerate(nights.items()):
        lines += [
            f"| {name} | {size:g} | "
            + _slip_row(night, size, runs // 5, [25, i, int(size + 50)], at=4, doubt=True)
            for size in (40.0, -40.0, 20.0, 0.0)
        ]
    return "\n".join(lines)


def _slip_row(
    night: SweepNight,
    size: float,
    runs: int,
    seed: list[int],
    *,
    at: int = 0,
    doubt: bool = False,
    common: bool = False,
) -> str:
    rng = np.random.default_rng(seed)
    right, said, errors, doubts = [], [], [], []
    for _ in range(runs):
        place = at or int(rng.integers(1, len(night.order)))
        usual = expected_scatter(REFRACTOR)
        scatter = usual.median_steps * float(np.exp(usual.spread * rng.standard_normal()))
        one = replace(night, scatter=scatter) if common else night
        draws = replace(one, slip_before=place, slip_steps=size).draw(rng)
        found, changes = adjusted(draws)
        seen = [(s.after_sweep, s.before_sweep) for s in changes.slips or ()]
        right.append(seen == [(draws[place - 1].id, draws[place].id)])
        said.append(bool(seen))
        errors.append(offsets_of(found, night))
        doubts.append(changes.in_doubt is not None)
    gap = share(right) if size else "-"
    more = f" | {share(doubts)} |" if doubt else " |"
    return f"{gap} | {share(said)} | {judged(joined(errors))}{more}"


def repeats(runs: int) -> str:
    lines = ["| twelve sweeps, scatter 3 steps | in the 68 % interval | mean of the estimates |"]
    lines.append("|---|---|---|")
    for i, order in enumerate((("L",) * 12, ("L", "R", "G") * 4, ("L", "R", "G", "B") * 3)):
        rng = np.random.default_rng([16, i])
        night = SweepNight(order=order, scatter=3.0, fit_sigma=0.5)
        found = [adjusted(night.draw(rng))[0] for _ in range(runs)]
        inside = [low <= 3 <= high for low, high in (f.scatter68_steps for f in found)]
        middle = np.mean([f.scatter.value for f in found])
        lines.append(f"| {len(set(order))} filters | {share(inside)} | {middle:.2f} |")
    return "\n".join(lines)


def nights(runs: int) -> str:
    """Three nights, each with a zero of its own, together and each alone."""
    lines = [
        "Three equal nights hold three times as much: their sigma is that of one over the root of "
        "three, 1.73. Where each night learns the scatter from its own few repeats, the smallest "
        "of three stated sigmas is small by luck: three draws of s with f degrees of freedom have "
        "(1 - F)^3 = 1/2 at their median smallest, F that of s. That is the column expected.",
        "",
        "| each night, sets | scatter | mean of the three nights' sigmas over theirs together "
        "| smallest of the three over theirs | expected | rms error: alone over together "
        "| within sigma | beyond 3 sigma | beyond 99.7 % |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    orders = {
        "L R G B twice, L": ("L", "R", "G", "B") * 2 + ("L",),
        "L R G B three times": ("L", "R", "G", "B") * 3,
    }
    for i, (name, order) in enumerate(orders.items()):
        for scatter in (0.3, 1.0, 2.0):
            for stated in (False, True):
                rng = np.random.default_rng([17, i, int(10 * scatter), stated])
                night = SweepNight(order=order, scatter=scatter, fit_sigma=0.3)
                free = np.inf if stated else len(order) - len(set(order))
                count = runs if scatter == 1.0 else runs // 5
                head = f"{name}, {count} | {scatter}{', stated' if stated else ''}"
                sets = [_three(night, rng, stated=stated) for _ in range(count)]
                lines.append(f"| {head} | {_three_row(sets, free)} |")
                print(lines[-1], flush=True)
    return "\n".join(lines)


def _three(night: SweepNight, rng: np.random.Generator, *, stated: bool) -> tuple[Offsets, ...]:
    drawn = []
    for k in range(3):
        zero = 10_000 + float(rng.normal(0, 100))
        one = replace(night, first_mjd=60000.8 + k, zero_steps=zero, label=f"n{k}:")
        drawn.append(one.draw(rng))
    known = replace(REFRACTOR.focuser, repeatability_steps=night.scatter if stated else None)
    setup = replace(REFRACTOR, focuser=known)
    parts = ([d for one in drawn for d in one], *drawn)
    return tuple(offsets_of(adjusted(one, setup)[0], night) for one in parts)


def _three_row(sets: Sequence[tuple[Offsets, ...]], free: float) -> str:
    whole, *alone = (joined(parts) for parts in zip(*sets, strict=True))
    sigma = np.array([a.sigma for a in alone])
    error = np.sqrt(np.mean([a.error**2 for a in alone]))
    luck = 1.0
    if np.isfinite(free):
        smallest = chi2.ppf(1 - 0.5 ** (1 / 3), free) / free
        tails = [student.isf((1 - P68) / 2, f) for f in (free, 3 * free)]
        luck = float(np.sqrt(smallest)) * tails[0] / tails[1]
    return (
        f"{np.median(sigma.mean(axis=0) / whole.sigma):.2f} "
        f"| {np.median(sigma.min(axis=0) / whole.sigma):.2f} | {luck * np.sqrt(3):.2f} "
        f"| {error / np.sqrt(np.mean(whole.error**2)):.2f} | {share(whole.error < whole.sigma)} "
        f"| {share(whole.error > 3 * whole.sigma)} | {share(whole.error > whole.half997)}"
    )


def play(runs: int) -> str:
    """85 steps from two directions."""
    rng = np.random.default_rng(18)
    ways: tuple[Approach, ...] = ("outward",) * 4 + ("inward",) * 4
    both = SweepNight(order=("L", "R", "G", "B") * 2, approach=ways, fit_sigma=0.5, scatter=1.0)
    there = replace(both, backlash=85.0)
    turned, none = (
        [adjusted(night.draw(rng))[0].term("direction") for _ in range(runs)]
        for night in (there, both)
    )
    error = np.array([abs(p.value - 85) for p in turned])
    sigma = np.array([p.sigma for p in turned])
    return (
        "| capture | nights | within 4 steps | within 3 sigma | rms, steps | median sigma "
        "| beyond 99.7 % of none where there is none |\n|---|---|---|---|---|---|---|\n"
        f"| both directions | {runs} | {share(error < 4)} | {share(error < 3 * sigma)} "
        f"| {np.sqrt(np.mean(error**2)):.1f} | {np.median(sigma):.1f} "
        f"| {sum(map(_is_play, none))} of {runs} |"
    )


def _is_play(found: Interval) -> bool:
    """From both directions there is always a value: play where it differs from none at 99.7 %."""
    return abs(found.value) > found.half997


def temperature(runs: int) -> str:
    """-6 steps per degC: what is found, and what the frames can tell at best."""
    lines = [
        "| night | fits, scatter | least possible sigma | within 5 %: possible | found "
        "| within sigma | within 3 sigma |",
        "|---|---|---|---|---|---|---|",
    ]
    thrice = ("L", "R", "G", "B") * 3
    designs = (
        ("L R G B three times, 4 degC", thrice, 8.0, 0.5, 0.5),
        ("L R G B three times, 4 degC", thrice, 8.0, 0.2, 0.3),
        ("L R G B three times, 8 degC", thrice, 4.0, 0.5, 0.5),
        ("L R G B five times, 4 degC", ("L", "R", "G", "B") * 5, 8.0, 0.5, 0.5),
    )
    for i, (name, order, cold, fit, scatter) in enumerate(designs):
        rng = np.random.default_rng([19, i])
        night = SweepNight(
            order=order, fit_sigma=fit, scatter=scatter, steps_per_degC=-6.0, cold=cold
        )
        found = [adjusted(night.draw(rng))[0].term("temperature") for _ in range(runs)]
        error = np.abs([f.value + 6 for f in found])
        sigma = np.array([f.sigma for f in found])
        least = _least_sigma(night)
        possible = np.mean(np.abs(rng.standard_normal(100_000)) * least < 0.3)
        lines.append(
            f"| {name} | {fit}, {scatter} | {least:.3f} | {100 * possible:.1f} % "
            f"| {share(error < 0.3)} | {share(error < sigma)} | {share(error < 3 * sigma)} |"
        )
    return "\n".join(lines)


def _least_sigma(night: SweepNight) -> float:
    """Of the coefficient, scatter and all else known: ordinary least squares."""
    draws = night.draw(np.random.default_rng(0))
    filters = np.array([d.filter for d in draws])
    warm = np.array([d.temperature_degC for d in draws])
    design = np.column_stack([filters[:, None] == np.unique(filters), warm - warm.mean()])
    variance = np.linalg.inv(design.astype(float).T @ design.astype(float))[-1, -1]
    return float(np.hypot(night.fit_sigma, night.scatter) * np.sqrt(variance))


def field(runs: int) -> str:
    lines = [
        "| field, 16 megapixels | stars | filters | x, um | y, um | bowl, um "
        "| within 5 um and 10 % | significant |",
        "|---|---|---|---|---|---|---|---|",
    ]
    cases = (
        (FieldPlan(tilt_um=(60.0, 0.0)), "L"),
        (FieldPlan(tilt_um=(-60.0, 30.0), bowl_um=60.0), "L"),
        (FieldPlan(tilt_um=(0.0, 60.0), bowl_um=-60.0), "L"),
        (FieldPlan(tilt_um=(34.0, -20.0)), "LRG"),
        (FieldPlan(), "L"),
        (FieldPlan(own_um=20.0), "L"),
    )
    for i, (plan, names) in enumerate(cases):
        rng = np.random.default_rng([20, i])
        found = [_field(plan, names, rng) for _ in range(runs)]
        lines.append(_field_row(plan, names, found))
    return "\n".join(lines)


def _field(plan: FieldPlan, names: str, rng: np.random.Generator) -> FieldReport:
    sweeps = []
    for name in names:
        drawn = draw_field(plan, rng)
        columns = {f.name: getattr(drawn, f.name) for f in fields(FieldDraw)}
        star = np.full(plan.stars, -1)
        sweeps.append(FieldSweep(id=f"{name}-1", filter=name, star=star, **columns))
    frame = Frame(width_px=plan.width_px, height_px=plan.height_px, pixel_um=3.8)
    found = field_of_focus(sweeps, frame=frame, scale=Scale(um_per_step=Estimate(plan.um_per_step)))
    assert isinstance(found, FieldReport), found
    return found


def _field_row(plan: FieldPlan, names: str, found: Sequence[FieldReport]) -> str:
    keys = ("tilt_x_um", "tilt_y_um", "curvature_um")
    values = np.array([[getattr(f, key).value for key in keys] for f in found])
    true = np.array([*plan.tilt_um, plan.bowl_um])
    room = np.where(true, np.minimum(5, 0.1 * np.abs(true)), 5)
    near = np.all(np.abs(values - true) < room, axis=1)
    shown = " | ".join(
        f"{m:+.1f} ± {s:.1f}" for m, s in zip(values.mean(axis=0), values.std(axis=0), strict=True)
    )
    extra = f", each {plan.own_um:g} um off" if plan.own_um else ""
    return (
        f"| tilt {plan.tilt_um[0]:g}, {plan.tilt_um[1]:g} um, bowl {plan.bowl_um:g} um "
        f"| {plan.stars}{extra} | {len(names)} | {shown} | {share(near)} "
        f"| {share(f.significant for f in found)} |"
    )


PARTS: dict[str, tuple[str, Callable[[int], str]]] = {
    "slips": ("A slip of 40 steps", slips),
    "hidden": ("A slip behind a slope", hidden),
    "repeats": ("Repeatability", repeats),
    "nights": ("Nights together", nights),
    "play": ("Play of 85 steps", play),
    "alone": ("Play at the start of a sweep alone", partial(starts, ALONE)),
    "three": ("Play at the start of three narrow sweeps", partial(starts, THREE_NARROW)),
    "seven": ("Play at the start of seven narrow sweeps", partial(starts, SEVEN_NARROW)),
    "usual": ("Play at the start of seven sweeps", partial(starts, SEVEN_USUAL)),
    "temperature": ("Temperature: -6 steps per degC", temperature),
    "field": ("Field from drawn radii", field),
}


def share(said: Iterable[object]) -> str:
    return f"{100 * np.mean([bool(s) for s in said]):.1f} %"


def main(parts: Sequence[str], runs: int) -> None:
    for part in parts:
        title, measure = PARTS[part]
        body = measure(runs)
        script = f"focuser_trials.py --parts {part} --runs {runs}"
        write_section(title, body, script=script)
        print(f"## {title}\n{body}\n", flush=True)


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parts", default=",".join(PARTS), help="some of them, by commas")
    parser.add_argument("--runs", type=int, default=500, help="runs a row")
    chosen = parser.parse_args()
    main(chosen.parts.split(","), chosen.runs)
