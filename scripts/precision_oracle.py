"""What could be reached with one frame wrecked: the posterior mean by brute force, on a grid.

It knows the jitter and the star noise, that exactly one frame is wrecked, and either by how much
(1.5 times) or only that it is mostly too large, by half of its radius (1 sigma); which frame it
does not know. Best focus, ln floor and ln slope are flat over the grid. The fit knows none of this.

Run: ``python scripts/precision_oracle.py [--trials 200]``; 7 positions, span 2, jitter 15 %.
"""

import argparse

import numpy as np
from precision import draw, run_cell

from starsize.curves.posterior import WRECK_LARGER, WRECK_SCATTER
from starsize.curves.shapes import Shape, blurred_disc_shape

POSITIONS, SPAN, JITTER, STAR, FACTOR = 7, 2.0, 0.15, 0.005, 1.5


def curves_of_grid(shape: Shape) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Best focus (g,), radius and its variance (g, n) at every point of the grid."""
    best, log_floor, log_slope = (
        axis.ravel()
        for axis in np.meshgrid(
            np.linspace(-0.5, 0.5, 67),
            np.linspace(-0.7, 0.4, 25),
            np.log(SPAN) + np.linspace(-0.45, 0.45, 17),
            indexing="ij",
        )
    )
    floor = np.exp(log_floor)[:, None]
    u = np.exp(log_slope)[:, None] * (np.linspace(-1, 1, POSITIONS) - best[:, None]) / floor
    value, rate = shape(u)
    radius = floor * value
    return best, radius, (STAR * radius) ** 2 + (JITTER * floor * (value - u * rate)) ** 2


def posterior_mean(
    y: np.ndarray,
    best: np.ndarray,
    radius: np.ndarray,
    *,
    variance: np.ndarray,
    factor_known: bool,
) -> float:
    """Best focus of one sweep, averaged over the grid and over which frame is wrecked."""

    def log_normal(away: np.ndarray, spread: np.ndarray) -> np.ndarray:
        return -0.5 * away**2 / spread - 0.5 * np.log(spread)

    sound = log_normal(y - radius, variance)
    if factor_known:
        wrecked = log_normal(y - FACTOR * radius, FACTOR**2 * variance)
    else:
        side = np.where(y > radius, WRECK_LARGER, 1 - WRECK_LARGER)
        wild = (WRECK_SCATTER * np.maximum(y, radius)) ** 2
        wrecked = log_normal(y - radius, wild) + np.log(2 * side)
    likelihood = sound.sum(axis=1) + np.logaddexp.reduce(wrecked - sound, axis=1)
    weight = np.exp(likelihood - likelihood.max())
    return float(weight @ best / weight.sum())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=200)
    trials = parser.parse_args().trials
    shape = blurred_disc_shape()
    drawn = draw(
        np.random.default_rng((7, POSITIONS, int(SPAN), int(1e3 * JITTER))),
        trials,
        positions=POSITIONS,
        span=SPAN,
        jitter=JITTER,
        star=STAR,
        shape=shape,
        wreck="large",
    )
    batch, true, bound = drawn
    best, radius, variance = curves_of_grid(shape)
    for known, words in ((True, "factor known"), (False, "factor not known")):
        mean = [
            posterior_mean(y, best, radius, variance=variance, factor_known=known) for y in batch.y
        ]
        ratio = np.sqrt(np.mean((np.array(mean) - true) ** 2) / np.mean(bound))
        print(f"by brute force, {words}: {ratio:.2f} times the bound of the frames left")
    print(f"the fit: {run_cell(*drawn, model='auto')[0]:.2f}")


if __name__ == "__main__":
    main()
