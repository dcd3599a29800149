"""Nights whose sweeps begin with play to be taken up, with a wrecked frame, or with neither."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import erf, sqrt

import numpy as np
from _sweeps import drawn_curve

from starsize.curves import FocusCurve, fit_curves
from starsize.estimate import Estimate
from starsize.simulate import SCENARIOS, PointsPlan, RadiusTable, draw_points, tabulate_radii

SEVEN = ("L", "R", "G", "B", "L", "R", "G")
ALONE = ((("L",), 7), (("L",), 11))
THREE_NARROW, SEVEN_NARROW, SEVEN_USUAL = (
    ((("L", "R", "G"), 7),), ((SEVEN, 7),), ((SEVEN, 11),)
)  # fmt: skip
WRECK = (0.8, 0.9)
"""How much too small a wrecked first frame is: just as play would have it."""
NEAR_STEPS = 4.0


@dataclass(frozen=True, kw_only=True)
class Starts:
    """How the sweeps of a night begin; ``wrecked``: the first frame of one of them is a wreck."""

    order: tuple[str, ...]
    positions: int
    play_steps: float = 0.0
    wrecked: bool = False

    @property
    def plan(self) -> PointsPlan:
        return PointsPlan(order=self.order, positions=self.positions, play_steps=self.play_steps)


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
    points = draw_points(table(), starts.plan, seed=seed)
    radii = [p.radius_px.copy() for p in points]
    rng = np.random.default_rng([seed, 77])
    if starts.wrecked:
        radii[int(rng.integers(len(radii)))][0] *= rng.uniform(*WRECK)
    return [
        drawn_curve(replace(p, radius_px=r), id=f"{k}")
        for k, (p, r) in enumerate(zip(points, radii, strict=True))
    ]


def found_play(starts: Starts, seed: int) -> Estimate | None:
    """Play that a drawn and fitted night reports; not a number where a text alone says so."""
    fits = fit_curves(drawn_curves(starts, seed)).fits
    found = next((fit.play_steps for fit in fits if fit.play_steps.is_known), None)
    said = any(fit.reason == "play_at_start" for fit in fits)
    return Estimate(np.nan, np.nan) if said and found is None else found


def least_sigma(starts: Starts, seed: int) -> float:
    """Cramer-Rao bound of the play of one night, steps, for one who knows the lens outright.

    Unknown are the play, one slope, and the best focus and the seeing of each sweep; the noise is
    as drawn.
    """
    points = draw_points(table(), starts.plan, seed=seed)

    def radii(at: np.ndarray) -> np.ndarray:
        parts = []
        for k, p in enumerate(points):
            camera = np.maximum(p.position_steps, p.position_steps[0] + at[0])
            away = (camera - p.best_steps - at[2 + 2 * k]) * np.exp(at[1])
            seeing = np.full(away.size, np.exp(at[3 + 2 * k]))
            parts.append(table().radii_px(p.filter, p.best_steps + away, seeing)[:, 1])
        return np.concatenate(parts)

    true = np.zeros(2 + 2 * len(points))
    true[0] = starts.play_steps
    step = np.diag(np.r_[0.5, 1e-4, np.tile((0.1, 1e-4), len(points))])
    slopes = np.array([(radii(true + d) - radii(true - d)) / (2 * d.sum()) for d in step])
    seeing = starts.plan.jitter * slopes[3::2].sum(axis=0)
    variance = (starts.plan.star_noise * radii(true)) ** 2 + seeing**2
    return float(np.sqrt(np.linalg.inv(slopes / variance @ slopes.T)[0, 0]))


def starts(cases: Sequence[tuple[tuple[str, ...], int]], runs: int) -> str:
    """How often play is reported where there is some or none, and how well it is read."""
    lines = [
        "Drawn by the simulator's physics and fitted in full, nothing stated of the telescope. "
        f"A wreck: the first frame of one sweep has {WRECK[0]} to {WRECK[1]} of its radius. Least "
        "sigma: the Cramer-Rao bound for one who knows the lens outright.",
        "",
        "| sweeps | positions, spacing | drawn | reported | within 4 steps | at best "
        "| within 3 sigma | rms, steps | median sigma | least sigma |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for order, positions in cases:
        plain = Starts(order=order, positions=positions)
        kinds = {
            "no play": (plain, runs),
            "no play, a wreck": (replace(plain, wrecked=True), runs // 4),
            "85 steps": (replace(plain, play_steps=85.0), runs // 2),
        }
        for name, (kind, count) in kinds.items():
            seen = [found_play(kind, seed) for seed in range(count)]
            head = f"| {len(order)} | {positions}, {spacing_steps(plain):.0f} steps | {name} |"
            lines.append(f"{head} {_row(kind, seen)} |")
            print(lines[-1], flush=True)
    return "\n".join(lines)


def _row(kind: Starts, seen: Sequence[Estimate | None]) -> str:
    said = [p for p in seen if p is not None]
    row = f"{len(said)} of {len(seen)}"
    if not (said and kind.play_steps):
        return f"{row} | - | - | - | - | - | -"
    least = [least_sigma(kind, seed) for seed in range(len(seen))]
    error = np.abs([p.value - kind.play_steps for p in said])
    sigma = np.array([p.sigma for p in said])
    best = np.mean([erf(NEAR_STEPS / one / sqrt(2)) for one in least])
    return (
        f"{row} | {100 * np.mean(error < NEAR_STEPS):.0f} % | {100 * best:.0f} % "
        f"| {100 * np.mean(error < 3 * sigma):.0f} % | {np.sqrt(np.mean(error**2)):.1f} "
        f"| {np.median(sigma):.1f} | {np.median(least):.1f}"
    )
