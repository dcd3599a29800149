"""How precise best focus is, and how true its uncertainty: Monte Carlo at the level of HFR points.

Every trial draws the seeing of each frame (the floor of the curve, relative jitter), computes the
radius there with the blurred-disc curve, adds star noise, and fits with the default settings.
Errors are stated in units of the Cramer-Rao bound of the same noise model with known jitter:

    F = J^T V^-1 J,  V_i = star_i^2 + (jitter * dm_i/d ln floor)^2,  bound = [F^-1] of best focus.

Run: ``python scripts/precision.py [--trials 1000] [--part cells|wrecked|joint|play|refusals]``
Seeded: the same call prints the same numbers.
"""

import argparse
import math
import time
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from starsize.curves import CurveSet, blurred_disc, fit_curves, focus_curve
from starsize.curves.batch import Batch
from starsize.curves.catalogue import asymmetric_families, symmetric_families
from starsize.curves.family import Family, curve_and_slopes
from starsize.curves.joint import fit_batch
from starsize.curves.mixture import SIGMA1, SIGMA2, central_interval, outside
from starsize.curves.shapes import HYPERBOLA, Shape, blurred_disc_shape
from starsize.curves.verdicts import OUTSIDE

POSITIONS = (7, 9, 11, 15)
SPANS = (2.0, 4.0)
JITTERS = (0.02, 0.08, 0.15)
STARS = (0.003, 0.01)
WRECKS = {"large": "1.5 times", "blank": "blank", "faint": "few stars"}
"""Kinds of wrecked frames: stars 1.5 times too large, no radius at all, few and faint stars."""
TWO = "two"
"""Two frames at once, 1.5 times too large."""
FAINT = 0.2
AT_ONCE = 500
"""Trials fitted in one batch, for the memory's sake."""


def draw(
    rng: np.random.Generator,
    trials: int,
    *,
    positions: int,
    span: float,
    jitter: float,
    star: float,
    shape: Shape,
    wreck: str = "",
) -> tuple[Batch, np.ndarray, np.ndarray]:
    """Trials of one cell: sweeps, true best focus, variance bound (without the wrecked frame).

    Positions run from -1 to 1, the floor is 1 and the slope ``span``: the ends lie ``span`` floors
    from the middle. Best focus lies anywhere within half a spacing of the middle. ``wreck`` is what
    happens to one frame, any of them: one of ``WRECKS``; or ``TWO``; or nothing.
    """
    x = np.linspace(-1, 1, positions)
    best = rng.uniform(-0.5, 0.5, trials) * (x[1] - x[0])
    floor = 1 + jitter * rng.standard_normal((trials, positions))
    clean = floor * shape(span * (x - best[:, None]) / floor)[0]
    sigma = star * clean
    y = clean + sigma * rng.standard_normal(clean.shape)
    weight = 1 / variance(x, best, span, jitter, star, shape)
    stated, present = star * y, np.ones_like(y)
    for at in _frames_spoiled(rng, trials, positions, wreck=wreck):
        which = np.arange(trials), at
        y[which], stated[which] = spoiled(rng, y[which], stated[which], wreck=wreck)
        present[which] = np.isfinite(y[which])
        y[which] = np.nan_to_num(y[which], nan=1.0)
        weight[which] = 0
    slopes = derivatives(x, best, span, shape)
    bound = np.linalg.inv(np.swapaxes(slopes * weight[..., None], -1, -2) @ slopes)[:, 0, 0]
    one = np.ones(trials)
    batch = Batch(np.broadcast_to(x, y.shape), y, stated, present, 0 * one, one, 0 * one)
    return batch, best, bound


def _frames_spoiled(
    rng: np.random.Generator, trials: int, positions: int, *, wreck: str
) -> list[np.ndarray]:
    if not wreck:
        return []
    first = rng.integers(0, positions, trials)
    if wreck != TWO:
        return [first]
    return [first, (first + rng.integers(1, positions, trials)) % positions]


def spoiled(
    rng: np.random.Generator, radius: np.ndarray, sigma: np.ndarray, *, wreck: str
) -> tuple[np.ndarray, np.ndarray]:
    """Radius and stated star noise of wrecked frames; NaN where there is no radius."""
    if wreck in ("large", TWO):
        return 1.5 * radius, 1.5 * sigma
    if wreck == "blank":
        return np.full_like(radius, np.nan), sigma
    # A few faint stars through the cloud: the radius is poor, and its uncertainty says so.
    poor = radius * (1 + FAINT * rng.standard_normal(radius.shape))
    return np.maximum(poor, 0.2 * radius), FAINT * radius


def derivatives(x: np.ndarray, best: np.ndarray, span: float, shape: Shape) -> np.ndarray:
    parameters = np.zeros((best.size, 8))
    parameters[:, 0], parameters[:, 2] = best, np.log(span)
    return curve_and_slopes(x, parameters, Family("hyperbola", shape))[1]


def variance(
    x: np.ndarray, best: np.ndarray, span: float, jitter: float, star: float, shape: Shape
) -> np.ndarray:
    radius = shape(span * (x - best[:, None]))[0]
    return (star * radius) ** 2 + (jitter * derivatives(x, best, span, shape)[..., 1]) ** 2


class Cell(NamedTuple):
    """Of the answered trials: error over bound, and how many either interval covers."""

    error: float
    in68: float
    in95: float
    refused: float
    """Share of all trials where best focus may lie outside: no answer is given then."""


def run_cell(batch: Batch, best: np.ndarray, bound: np.ndarray, *, model: str) -> Cell:
    """Fit every trial alone."""
    parts = [
        _errors(batch.rows(rows), best[rows], model=model)
        for rows in np.array_split(np.arange(best.size), math.ceil(best.size / AT_ONCE))
    ]
    error, one, two, answers = np.concatenate(parts, axis=1)
    good = answers > 0
    return Cell(
        error=float(np.sqrt(np.mean(error[good] ** 2) / np.mean(bound[good]))),
        in68=float(one[good].mean()),
        in95=float(two[good].mean()),
        refused=float(1 - good.mean()),
    )


def _errors(batch: Batch, best: np.ndarray, *, model: str) -> np.ndarray:
    """Error of each trial, 1 where either interval covers the truth, 1 if answered: (4, trials)."""
    odd = asymmetric_families(0.0) if model == "auto" else None
    joint = fit_batch(batch, symmetric_families(model, 0.0), odd=odd, together=False)
    mean, sigma, weight = joint.posterior.best, joint.posterior.best_sigma, joint.weight
    found = [(weight * mean).sum(axis=1) - best]
    for coverage in (SIGMA1, SIGMA2):
        low, high = central_interval(weight, mean, sigma, coverage=coverage)
        found.append((low < best) & (best < high))
    beyond = outside(weight, mean, sigma, low=-1.0, high=1.0)
    found.append(np.max(beyond, axis=0) <= OUTSIDE)
    return np.array(found, float)


def cells(trials: int, *, model: str, shape: Shape, seed: int = 1) -> np.ndarray:
    """Print every cell of the table; return them, a `Cell` a row, (48, 4)."""
    print("| positions | span | jitter | star noise | error / bound | in 68.3 % | in 95.4 % |")
    print("|---|---|---|---|---|---|---|")
    rows = []
    for n in POSITIONS:
        for span in SPANS:
            for jitter in JITTERS:
                for star in STARS:
                    rng = np.random.default_rng((seed, n, int(span), int(1e3 * jitter)))
                    drawn = draw(
                        rng, trials, positions=n, span=span, jitter=jitter, star=star, shape=shape
                    )
                    rows.append(run_cell(*drawn, model=model))
                    cell = rows[-1]
                    print(
                        f"| {n} | {span:g} | {100 * jitter:g} % | {100 * star:g} % "
                        f"| {cell.error:.2f} | {100 * cell.in68:.1f} | {100 * cell.in95:.1f} |",
                        flush=True,
                    )
    found = np.array(rows)
    low, high = found.min(axis=0), found.max(axis=0)
    print(
        f"worst error {high[0]:.2f}; coverage {100 * low[1]:.1f} to {100 * high[1]:.1f} % and "
        f"{100 * low[2]:.1f} to {100 * high[2]:.1f} %; at most {100 * high[3]:.2f} % refused; "
        f"{trials} trials a cell"
    )
    return found


def wrecked(trials: int) -> None:
    """One frame wrecked: error over the bound of the frames left, and over that of clean ones.

    The last row is over all cells: root mean squares.
    """
    shape = blurred_disc_shape()
    names = " | ".join([*WRECKS.values(), "two at once"])
    print(f"| positions | span | jitter | clean | {names} | refused, most |")
    print("|---|---|---|---|---|---|---|---|---|")
    errors = []
    for n in POSITIONS:
        for span in SPANS:
            for jitter in JITTERS:
                found = []
                for wreck in ("", *WRECKS, TWO) if n > POSITIONS[0] else ("", *WRECKS):
                    rng = np.random.default_rng((7, n, int(span), int(1e3 * jitter)))
                    drawn = draw(
                        rng, trials, positions=n, span=span, jitter=jitter, star=0.005,
                        shape=shape, wreck=wreck,
                    )  # fmt: skip
                    found.append(run_cell(*drawn, model="auto"))
                error = np.full(len(WRECKS) + 2, np.nan)
                error[: len(found)] = [cell.error for cell in found]
                errors.append(error)
                most = 100 * max(cell.refused for cell in found)
                print(
                    f"| {n} | {span:g} | {100 * jitter:g} % | {_grown(error)} | {most:.1f} % |",
                    flush=True,
                )
    print(f"| all | | | {_grown(np.sqrt(np.nanmean(np.square(errors), axis=0)))} | |")


def _grown(error: np.ndarray) -> str:
    """The clean error, then each wrecked one, and its ratio to the clean one."""
    rest = [f"{e:.2f} ({e / error[0]:.2f})" if np.isfinite(e) else "-" for e in error[1:]]
    return " | ".join([f"{error[0]:.2f}", *rest])


def wrecked_five(trials: int) -> None:
    """Five positions with a frame wrecked, alone and beside six clean sweeps of five."""
    names = " | ".join(["clean", *WRECKS.values()])
    for company, how in ((0, "alone"), (6, "together")):
        print(f"\nFive positions, {how}: error over the joint bound of the frames left")
        print("(over the clean error; per cent in the 95.4 % interval, and answered)\n")
        print(f"| span | jitter | {names} |")
        print("|---|---|---|---|---|---|")
        errors = []
        for span in SPANS:
            for jitter in JITTERS:
                found = [
                    five_wrecked(trials, span=span, jitter=jitter, wreck=wreck, company=company)
                    for wreck in ("", *WRECKS)
                ]
                errors.append([cell.error for cell in found])
                shown = " | ".join(
                    f"{c.error:.2f} ({c.error / found[0].error:.2f}; {100 * c.in95:.0f}, "
                    f"{100 * (1 - c.refused):.0f})"
                    for c in found
                )
                print(f"| {span:g} | {100 * jitter:g} % | {shown} |", flush=True)
        print(f"| all | | {_grown(np.sqrt(np.mean(np.square(errors), axis=0)))} |")


def five_wrecked(
    trials: int, *, span: float, jitter: float, wreck: str, company: int, star: float = 0.005
) -> Cell:
    """Fit a sweep of five, one of its frames wrecked, beside ``company`` clean ones."""
    shape = blurred_disc_shape()
    rows = []
    for trial in range(trials):
        rng = np.random.default_rng((13, trial))
        best = rng.uniform(-25, 25, 1 + company) + 1000
        curves = [sweep(rng, b, 5, jitter=jitter, star=star, span=span) for b in best]
        lost = -1
        if wreck:
            lost = int(rng.integers(0, 5))
            first, at = curves[0], np.arange(5) == lost
            radius, sigma = first.radius_px.copy(), first.radius_sigma_px.copy()
            radius[at], sigma[at] = spoiled(rng, radius[at], sigma[at], wreck=wreck)
            curves[0] = replace(first, radius_px=radius, radius_sigma_px=sigma)
        fit = fit_curves(curves).fits[0]
        if fit.answered:
            bound = joint_bound(best, span=span, jitter=jitter, star=star, shape=shape, lost=lost)
            within = [
                low < best[0] < high for low, high in (fit.interval68_steps, fit.interval95_steps)
            ]
            rows.append([(fit.best_steps - best[0]) ** 2 / bound[0], *within])
    if not rows:
        return Cell(error=np.nan, in68=np.nan, in95=np.nan, refused=1.0)
    mean = np.mean(rows, axis=0)
    return Cell(np.sqrt(mean[0]), mean[1], mean[2], refused=1 - len(rows) / trials)


def sweep(
    rng: np.random.Generator,
    best: float,
    n: int,
    *,
    jitter: float,
    star: float,
    span: float,
    ran: float = 0.0,
):
    """One sweep in steps, 100 to either side, floor 2 px.

    The counter ``ran`` so many steps before the camera moved.
    """
    position = np.linspace(1000 - 100.0, 1000 + 100.0, n)
    stands = np.maximum(position, position[0] + ran)
    floor = 2.0 * (1 + jitter * rng.standard_normal(n))
    slope = span * 2.0 / 100.0
    radius = np.array(
        [
            blurred_disc([p], best, f, slope_px_per_step=slope)[0]
            for p, f in zip(stands, floor, strict=True)
        ]
    )
    sigma = star * radius
    return focus_curve(position, radius + sigma * rng.standard_normal(n), sigma)


def joint_of_seven(trials: int, *, span: float, jitter: float, star: float = 0.005) -> list[float]:
    """Seven filters with five positions each, a frame wrecked in none: joint against alone."""
    shape = blurred_disc_shape()
    together, alone, bound = [], [], []
    for trial in range(trials):
        rng = np.random.default_rng((11, trial))
        best = rng.uniform(-25, 25, 7) + 1000
        curves = [sweep(rng, b, 5, jitter=jitter, star=star, span=span) for b in best]
        together.append(np.array([f.best_steps for f in fit_curves(curves).fits]) - best)
        alone.append(np.array([fit_curves([c]).fits[0].best_steps for c in curves]) - best)
        bound.append(joint_bound(best, span=span, jitter=jitter, star=star, shape=shape))
    bounds = np.array(bound)
    unanswered = float(np.mean(np.isnan(together)))
    both = np.isfinite(together) & np.isfinite(alone)
    scale = np.sqrt(bounds)

    def size(error: list[np.ndarray]) -> float:
        return float(np.sqrt(np.mean((np.array(error)[both] / scale[both]) ** 2)))

    return [size(together), size(alone), unanswered]


def joint_bound(
    best: np.ndarray, *, span: float, jitter: float, star: float, shape: Shape, lost: int = -1
) -> np.ndarray:
    """Variance bound of each best focus, steps squared, with floors apart and one slope.

    ``lost`` is the frame that the first sweep does without.
    """
    k = best.size
    x = np.linspace(-1, 1, 5)
    centre = (best - 1000) / 100
    slopes = derivatives(x, centre, span, shape)
    weight = 1 / variance(x, centre, span, jitter, star, shape)
    if lost >= 0:
        weight[0, lost] = 0
    information = np.zeros((2 * k + 1, 2 * k + 1))
    for i in range(k):
        own = [2 * i, 2 * i + 1, 2 * k]
        information[np.ix_(own, own)] += (slopes[i] * weight[i][:, None]).T @ slopes[i]
    return np.diag(np.linalg.inv(information))[: 2 * k : 2] * 100**2


def joint(trials: int) -> None:
    print("| span | jitter | joint / joint bound | each alone / joint bound | refused |")
    print("|---|---|---|---|---|")
    for span in SPANS:
        for jitter in JITTERS:
            one, two, refused = joint_of_seven(trials, span=span, jitter=jitter)
            print(
                f"| {span:g} | {100 * jitter:g} % | {one:.2f} | {two:.2f} | {100 * refused:.1f} % |"
            )


def refusals(trials: int) -> None:
    """Good sweeps refused, and sweeps answered whose minimum lies outside."""
    rng = np.random.default_rng(5)
    good = outside = 0
    for _ in range(trials):
        n = int(rng.choice(POSITIONS))
        cell = {
            "jitter": rng.choice(JITTERS),
            "star": rng.choice(STARS),
            "span": rng.choice(SPANS),
        }
        spacing = 200 / (n - 1)
        inside = 1000 + rng.uniform(-0.5, 0.5) * spacing
        good += not answered(fit_curves([sweep(rng, inside, n, **cell)]))
        beyond = 1100 + rng.uniform(0.5, 6) * spacing
        mirrored = 2000 - beyond if rng.random() < 0.5 else beyond
        outside += answered(fit_curves([sweep(rng, mirrored, n, **cell)]))
    print(f"good sweeps refused: {good} of {trials}")
    print(f"minimum outside by more than half a spacing, yet answered: {outside} of {trials}")


def play(trials: int) -> None:
    """The counter runs a part of a spacing before the camera moves: is it named, and how well."""
    print(
        "| positions | floors | jitter | play in spacings | named | error / stated | best focus |"
    )
    print("|---|---|---|---|---|---|---|")
    for n, floors in ((11, 5.0), (9, 4.0), (7, 2.5)):
        for jitter in (0.04, 0.10):
            for part in (0.0, 0.15, 0.3, 0.5, 0.7):
                off, best_off = [], []
                for trial in range(trials):
                    rng = np.random.default_rng((17, n, trial))
                    best = 1000 + rng.uniform(-0.5, 0.5) * 200 / (n - 1)
                    ran = part * 200 / (n - 1)
                    drawn = sweep(rng, best, n, jitter=jitter, star=0.005, span=floors, ran=ran)
                    fit = fit_curves([drawn]).fits[0]
                    best_off.append((fit.best_steps - best) / fit.best_sigma_steps)
                    if fit.play_steps.is_known and fit.used[1]:
                        off.append((fit.play_steps.value - ran) / fit.play_steps.sigma)
                size = np.sqrt(np.mean(np.square(off))) if off else np.nan
                print(
                    f"| {n} | {floors:g} | {100 * jitter:g} % | {part:g} | {len(off)} of {trials} "
                    f"| {size:.2f} | {np.sqrt(np.nanmean(np.square(best_off))):.1f} |",
                    flush=True,
                )


def answered(found: CurveSet) -> bool:
    return found.fits[0].answered


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--part", default="all")
    asked = parser.parse_args()
    start = time.process_time()
    if asked.part in ("all", "cells"):
        print("Truth and fit: the blurred disc; default settings\n")
        cells(asked.trials, model="auto", shape=blurred_disc_shape())
    if asked.part in ("all", "hyperbola"):
        print("\nTruth and fit: the hyperbola\n")
        cells(asked.trials, model="hyperbola", shape=HYPERBOLA)
    if asked.part in ("all", "wrecked"):
        wrecked(asked.trials // 2)
        wrecked_five(asked.trials // 5)
    if asked.part in ("all", "joint"):
        joint(asked.trials // 10)
    if asked.part in ("all", "play"):
        play(asked.trials // 16)
    if asked.part in ("all", "refusals"):
        refusals(asked.trials)
    print(f"{time.process_time() - start:.0f} s CPU")


if __name__ == "__main__":
    main()
