"""One frame: find its stars and measure how large they are.

The half-flux radius (HFR) of a star is the radius of the circle that holds half of its light.
Give a frame of your own, or none for one of the invented demo night.
"""

import sys
from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np

import starsize

DEMO = Path(__file__).parents[2] / "testdata" / "demo_night"

path = Path(sys.argv[1]) if len(sys.argv) > 1 else DEMO / "evening_0006.fits.fz"
stars = starsize.measure_frame(path)
good = stars[stars["flags"] == 0]
print(f"{path.name}: {len(stars)} stars, {len(good)} of them good")
print(f"median HFR {np.median(good['radius']):.2f}")

figure, axes = plt.subplots()
axes.semilogx(good["flux"], good["radius"], "o")
axes.set_xlabel("flux (ADU)")
axes.set_ylabel("HFR (px)")
figure.savefig("01_one_frame.png")
