"""How precise best focus is, and how true its uncertainty: Monte Carlo at the level of HFR points.

Every trial draws the seeing of each frame (the floor of the curve, relative jitter), computes the
radius there with the blurred-disc curve, adds star noise, and fits with the default settings.
Errors are stated in units of the Cramer-Rao bound (``precision_cells.py``).

Run: ``python scripts/precision.py [--trials 1000] [--part cells|hyperbola|wrecked|five|joint|...]``
Seeded: the same call prints the same numbers.
"""

import argparse
import time

from precision_cells import cells, wrecked
from precision_sweeps import joint, play, refusals, wrecked_five

from starsize.curves.shapes import HYPERBOLA, blurred_disc_shape

PARTS = ("cells", "hyperbola", "wrecked", "five", "joint", "play", "refusals")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--trials", type=int, default=1000)
    parser.add_argument("--part", default="all", choices=("all", *PARTS))
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
    if asked.part in ("all", "five"):
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
