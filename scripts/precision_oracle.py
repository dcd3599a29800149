"""What could be reached with one frame wrecked: the posterior mean by brute force, on a grid.

It knows the jitter and the star noise, and that exactly one frame is wrecked. Of which frame, and
by how much, it knows nothing, or one of the two, or both. Best focus, ln floor and ln slope are
flat over the grid. The fit knows none of this; not even whether a frame is wrecked at all.

Run: ``python scripts/precision_oracle.py [--trials 500]``; frames 1.5 times too large, span 2.
"""

import argparse

import numpy as np
from precision_cells import draw, run_cell

from starsize.curves.shapes import Shape, blurred_disc_shape
from starsize.curves.wrecks import (
    WRECK_ANYHOW,
    WRECK_SCATTER,
    WRECK_SPREAD,
    WRECK_WIDENS,
)

CELLS = ((5, 0.08), (5, 0.15), (7, 0.08), (7, 0.15), (9, 0.15))
SPAN, STAR, FACTOR = 2.0, 0.005, 1.5


def curves_of_grid(
    shape: Shape, positions: int, jitter: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Best focus (g,), radius and its variance (g, n) at every point of the grid."""
    best, log_floor, log_slope = (
        axis.ravel()
        for axis in np.meshgrid(
            np.linspace(-0.6, 0.6, 97),
            np.linspace(-0.7, 0.4, 37),
            np.log(SPAN) + np.linspace(-0.45, 0.45, 45),
            indexing="ij",
        )
    )
    floor = np.exp(log_floor)[:, None]
    u = np.exp(log_slope)[:, None] * (np.linspace(-1, 1, positions) - best[:, None]) / floor
    value, rate = shape(u)
    radius = floor * value
    return best, radius, (STAR * radius) ** 2 + (jitter * floor * (value - u * rate)) ** 2


def log_normal(away: np.ndarray, variance: np.ndarray) -> np.ndarray:
    return -0.5 * away**2 / variance - 0.5 * np.log(variance)


def means(
    y: np.ndarray, best: np.ndarray, radius: np.ndarray, *, variance: np.ndarray, which: int
) -> list[float]:
    """Best focus of one sweep, averaged over the grid: knowing nothing, factor, frame, both."""
    sound = log_normal(y - radius, variance)
    known = log_normal(y - FACTOR * radius, FACTOR**2 * variance)
    spread = WRECK_SPREAD**2 + variance / radius**2
    widened = log_normal(np.log(y / (WRECK_WIDENS * radius)), spread) - np.log(y)
    anyhow = log_normal(y - radius, (WRECK_SCATTER * np.maximum(y, radius)) ** 2)
    unknown = np.logaddexp(np.log(1 - WRECK_ANYHOW) + widened, np.log(WRECK_ANYHOW) + anyhow)
    found = []
    for frame in (np.arange(y.size), np.array([which])):
        for wrecked in (unknown, known):
            ratio = (wrecked - sound)[:, frame]
            likelihood = sound.sum(axis=1) + np.logaddexp.reduce(ratio, axis=1)
            weight = np.exp(likelihood - likelihood.max())
            found.append(float(weight @ best / weight.sum()))
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=500)
    trials = parser.parse_args().trials
    shape = blurred_disc_shape()
    print("rms error over the bound of the frames left; brute force, knowing")
    print("| positions | jitter | neither | factor | frame | both | the fit | the fit, clean |")
    print("|---|---|---|---|---|---|---|---|")
    for positions, jitter in CELLS:
        options = {
            "positions": positions, "span": SPAN, "jitter": jitter, "star": STAR, "shape": shape,
        }  # fmt: skip
        seed = (7, positions, int(SPAN), int(1e3 * jitter))
        clean = draw(np.random.default_rng(seed), trials, **options)
        drawn = draw(np.random.default_rng(seed), trials, wreck="large", **options)
        batch, true, bound = drawn
        which = np.argmax(batch.y / clean[0].y, axis=1)
        best, radius, variance = curves_of_grid(shape, positions, jitter)
        mean = np.array(
            [
                means(y, best, radius, variance=variance, which=at)
                for y, at in zip(batch.y, which, strict=True)
            ]
        )
        ratios = np.sqrt(np.mean((mean - true[:, None]) ** 2, axis=0) / np.mean(bound))
        ours = [run_cell(*found, model="auto").error for found in (drawn, clean)]
        shown = " | ".join(f"{ratio:.2f}" for ratio in (*ratios, *ours))
        print(f"| {positions} | {100 * jitter:g} % | {shown} |", flush=True)


if __name__ == "__main__":
    main()
