"""Nights whose sweeps begin with play to be taken up, with a wrecked frame, or with neither."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from starsize.comparison.offsets.focuser import play_of_starts
from starsize.curves import CurveFit, FocusCurve, fit_curves, focus_curve
from starsize.curves.play import certain_plays
from starsize.curves.prediction import radius_at
from starsize.estimate import Estimate
from starsize.simulate import SCENARIOS, PointsPlan, RadiusTable, draw_points, tabulate_radii

ALONE = ((("L",), 7), (("L",), 11))
THREE = ((("L", "R", "G"), 7),)
SEVEN = ((("L", "R", "G", "B", "L", "R", "G"), 7),)
WRECK = (0.8, 0.9)
"""How much too small a wrecked first frame is: just as play would have it."""


@dataclass(frozen=True, kw_only=True)
class Starts:
    """How the sweeps of a night begin; ``wrecked``: the first frame of one of them is a wreck."""

    order: tuple[str, ...]
    positions: int
    play_steps: float = 0.0
    wrecked: bool = False


@cache
def table() -> RadiusTable:
    """An invented refractor of 600 mm at f/6 with steps of 1.5 um."""
    scene = SCENARIOS["parfocal_refractor"].scene
    lens = replace(scene.lens, focal_length_mm=600.0, aperture_mm=100.0)
    focuser = replace(scene.focuser, um_per_step=1.5)
    return tabulate_radii(replace(scene, lens=lens, focuser=focuser), ["L", "R", "G", "B"])


def spacing_steps(starts: Starts) -> float:
    return 2 * table().half_steps / (starts.positions - 1)


def drawn_curves(starts: Starts, seed: int) -> list[FocusCurve]:
    """Radii by the physics of the drawn frames."""
    plan = PointsPlan(order=starts.order, positions=starts.positions, play_steps=starts.play_steps)
    points = draw_points(table(), plan, seed=seed)
    radii = [p.radius_px[:, 1].copy() for p in points]
    _wreck(radii, starts, np.random.default_rng([seed, 77]))
    return [
        focus_curve(p.position_steps, r, p.sigma_px[:, 1], filter=p.filter, id=f"{k}")
        for k, (p, r) in enumerate(zip(points, radii, strict=True))
    ]


def fitted_play(starts: Starts, seed: int) -> Estimate | None:
    """Play that a drawn and fitted night reports; not a number where a text alone says so."""
    fits = fit_curves(drawn_curves(starts, seed)).fits
    found = play_of_starts(fits)
    said = any(fit.reason == "play_at_start" for fit in fits)
    return Estimate(np.nan, np.nan) if said and found is None else found


def redrawn_play(
    fits: Sequence[CurveFit], starts: Starts, rng: np.random.Generator
) -> Estimate | None:
    """The same of a night drawn about fitted curves, which stand for those of its own fit."""
    curves = [_redrawn(fit, starts, rng) for fit in fits]
    radii = [curve.radius_px.copy() for curve in curves]
    _wreck(radii, starts, rng)
    night = [
        replace(f, curve=replace(c, radius_px=r))
        for f, c, r in zip(fits, curves, radii, strict=True)
    ]
    plays = certain_plays(night)
    return play_of_starts([replace(f, play_steps=p) for f, p in zip(night, plays, strict=True)])


def starts(cases: Sequence[tuple[tuple[str, ...], int]], runs: int) -> str:
    """How often play is reported where there is some or none, and how well it is read."""
    lines = [
        "Fitted: drawn by the simulator's physics and fitted. Redrawn: drawn about one such "
        "night's curves, which are not fitted again. A wreck: the first frame of one sweep has "
        f"{WRECK[0]} to {WRECK[1]} of its radius.",
        "",
        "| sweeps | positions, spacing | drawn | count | reported | within 4 steps "
        "| within 3 sigma | rms, steps | median sigma |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for order, positions in cases:
        plain = Starts(order=order, positions=positions)
        template = fit_curves(drawn_curves(plain, 1000)).fits
        kinds = {"no play": plain, "no play, a wreck": replace(plain, wrecked=True)}
        kinds["85 steps"] = replace(plain, play_steps=85.0)
        for name, kind in kinds.items():
            rng = np.random.default_rng([28, len(order), positions, len(name)])
            fitted = [fitted_play(kind, seed) for seed in range(runs // 20 // len(order) + 3)]
            redrawn = [redrawn_play(template, kind, rng) for _ in range(runs // len(order))]
            head = f"| {len(order)} | {positions}, {spacing_steps(plain):.0f} steps | {name} |"
            lines.append(f"{head} fitted | {_start_row(fitted, kind.play_steps)} |")
            lines.append(f"{head} redrawn | {_start_row(redrawn, kind.play_steps)} |")
            print(*lines[-2:], sep="\n", flush=True)
    return "\n".join(lines)


def _start_row(seen: Sequence[Estimate | None], true: float) -> str:
    said = [p for p in seen if p is not None]
    row = f"{len(said)} of {len(seen)}"
    if not (said and true):
        return f"{row} | - | - | - | -"
    error = np.abs([p.value - true for p in said])
    sigma = np.array([p.sigma for p in said])
    return (
        f"{row} | {np.sum(error < 4)} | {np.sum(error < 3 * sigma)} "
        f"| {np.sqrt(np.mean(error**2)):.1f} | {np.median(sigma):.1f}"
    )


def _redrawn(fit: CurveFit, starts: Starts, rng: np.random.Generator) -> FocusCurve:
    old = fit.curve.position_steps
    position = old + rng.uniform(-0.5, 0.5) * abs(old[1] - old[0])
    model = np.interp(np.maximum(position, position[0] + starts.play_steps), *_drawn(fit))
    star = fit.curve.radius_sigma_px / fit.curve.radius_px * model
    spread = np.hypot(star, 0.05 * fit.floor_px.value**2 / model)
    radius = model + spread * rng.standard_normal(model.size)
    return replace(fit.curve, position_steps=position, radius_px=radius, radius_sigma_px=star)


@cache
def _drawn(fit: CurveFit) -> tuple[np.ndarray, np.ndarray]:
    position = fit.curve.position_steps
    along = np.linspace(2 * position[0] - position[1], 2 * position[-1] - position[-2], 600)
    return along, radius_at(fit, along)


def _wreck(radii: Sequence[np.ndarray], starts: Starts, rng: np.random.Generator) -> None:
    if starts.wrecked:
        radii[int(rng.integers(len(radii)))][0] *= rng.uniform(*WRECK)
