"""Whether the search for the likeliest telescope ends where it should: random lenses and skies.

Radii are drawn from the model itself, with lenses far wilder than its priors, so that only the
search is tried. Started as the program starts, against the best of many random starts; writes
``scripts/results/wrong_minima.md``.
Run: ``python scripts/wrong_minima.py --trials 60 --starts 10``.
"""

import argparse
from functools import partial
from pathlib import Path

import numpy as np

from starsize.curves import FocusCurve, Known, focus_curve
from starsize.curves.night import COLOUR, FIRST, LOG_SLOPE, SPHERICAL, SPREAD, Night, build_night
from starsize.curves.search import COARSE_JITTER, COARSE_LACK, descend, find
from starsize.curves.statistics import PRIORS

RESULT = Path(__file__).parent / "results" / "wrong_minima.md"
FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")
WORSE = 2.0


def wild_colour(rng: np.random.Generator, px_per_um: float) -> np.ndarray:
    """Colour of a lens: from an apochromat to a fast achromat of either sign."""
    size = np.exp(rng.uniform(np.log(0.02), np.log(1.5)))
    return px_per_um * size * rng.normal(size=3) * (200.0, 3000.0, 700.0)


def draw(rng: np.random.Generator) -> tuple[list[FocusCurve], Known]:
    """Sweeps of a random telescope under a random sky."""
    ratio, pixel, step = rng.uniform(4, 10), rng.choice([2.4, 3.76, 5.4]), rng.uniform(2, 6)
    known = Known(focal_ratio=ratio, pixel_um=pixel, um_per_step=step, obstruction=0.0)
    names = FILTERS[: rng.integers(1, 8)]
    floor, count = rng.uniform(1.2, 3.0), int(rng.integers(7, 14))
    reach = rng.uniform(2, 4) * floor * np.sqrt(2) / known.slope_px_per_step
    position = np.linspace(-reach, reach, count) + rng.uniform(-0.3, 0.3) * reach
    plain = [
        focus_curve(position, np.hypot(floor, 0.03 * position), 0.01, filter=f, id=f) for f in names
    ]
    night = build_night(plain, [np.ones(count, bool)] * len(plain), known=known, bands={})
    true = scattered(night, rng)
    true[FIRST::3] = rng.normal(size=len(names)) * 5
    true[FIRST + 1 :: 3] = np.log(floor / 0.57) + 0.1 * rng.normal(size=len(names))
    jitter, noise = rng.choice([0.01, 0.05, 0.12]), 0.004
    radius = night.sizes(true).radius.reshape(len(names), count)
    radius = radius * np.exp(jitter * rng.normal(size=radius.shape) * (floor / radius) ** 2)
    if rng.random() < 0.4:
        radius[0, rng.integers(count)] *= rng.choice([0.6, 1.5])
    radius = radius * (1 + noise * rng.normal(size=radius.shape))
    return [
        focus_curve(position, r, noise * r, filter=f, id=f)
        for r, f in zip(radius, names, strict=True)
    ], known


def scattered(night: Night, rng: np.random.Generator) -> np.ndarray:
    """The program's first start, thrown about."""
    start = night.start.copy()
    start[COLOUR] = wild_colour(rng, night.telescope.blur_px_per_um)
    start[SPHERICAL] = 0.5 * rng.normal()
    start[SPREAD] *= np.exp(rng.normal())
    start[FIRST::3] += 0.5 * rng.normal(size=len(night.bands)) / np.exp(start[LOG_SLOPE])
    start[FIRST + 1 :: 3] += 0.3 * rng.normal(size=len(night.bands))
    return start


def trial(seed: int, starts: int) -> float:
    """Chi-square of the program's end above the best of all."""
    rng = np.random.default_rng([seed, 41])
    curves, known = draw(rng)
    used = [np.ones(c.position_steps.size, bool) for c in curves]
    night = build_night(curves, used, known=known, bands={})
    end = partial(descend, jitter=PRIORS.jitter, lack=PRIORS.lack, steps=40)
    first = find(night, jitter=PRIORS.jitter, lack=PRIORS.lack).cost
    least = first
    for _ in range(starts):
        coarse = descend(
            night, scattered(night, rng), jitter=COARSE_JITTER, lack=COARSE_LACK, steps=40
        )
        least = min(least, end(night, coarse.values).cost)
    return first - least


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=60)
    parser.add_argument("--starts", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=RESULT)
    asked = parser.parse_args()
    above = np.array([trial(asked.seed * 10_000 + k, asked.starts) for k in range(asked.trials)])
    text = (
        f"# Wrong minima\n\n`python scripts/wrong_minima.py --trials {asked.trials} --starts "
        f"{asked.starts} --seed {asked.seed}`: {np.sum(above > WORSE)} of {asked.trials} random "
        f"nights end more than {WORSE:g} in chi-square above the best of {asked.starts} random "
        f"starts; "
        f"worst {above.max():.2f}, 95 % below {np.quantile(above, 0.95):.2f}.\n"
    )
    asked.out.write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
