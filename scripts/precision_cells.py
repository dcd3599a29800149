"""Sweeps drawn and fitted alone, in batches: error in units of the Cramer-Rao bound, coverage.

The bound is that of the same noise model with known jitter:

    F = J^T V^-1 J,  V_i = star_i^2 + (jitter * dm_i/d ln floor)^2,  bound = [F^-1] of best focus.

Called by ``scripts/precision.py``.
"""

import math
from typing import NamedTuple

import numpy as np

from starsize.curves.batch import Batch
from starsize.curves.catalogue import asymmetric_families, symmetric_families
from starsize.curves.family import Family, curve_and_slopes
from starsize.curves.joint import fit_batch
from starsize.curves.mixture import SIGMA1, SIGMA2, central_interval, central_value, outside
from starsize.curves.shapes import Shape, blurred_disc_shape
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
    found = [central_value(weight, mean, sigma) - best]
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
                    f"| {n} | {span:g} | {100 * jitter:g} % | {grown(error)} | {most:.1f} % |",
                    flush=True,
                )
    print(f"| all | | | {grown(np.sqrt(np.nanmean(np.square(errors), axis=0)))} | |")


def grown(error: np.ndarray) -> str:
    """The clean error, then each wrecked one, and its ratio to the clean one."""
    rest = [f"{e:.2f} ({e / error[0]:.2f})" if np.isfinite(e) else "-" for e in error[1:]]
    return " | ".join([f"{error[0]:.2f}", *rest])
