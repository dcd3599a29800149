"""One sweep: frames of one filter at many focuser positions, and the focus curve through them."""

import sys
from pathlib import Path

import starsize

DEMO = Path(__file__).parents[2] / "testdata" / "demo_night"

paths = sys.argv[1:] or sorted(DEMO.glob("evening_*.fits.fz"))[:11]
sweeps, notices = starsize.find_sweeps(starsize.list_frames(paths))
measured = starsize.measure_sweeps(sweeps[:1])
(fit,) = starsize.fit_curves(measured).fits
print(fit.reason)
print(f"smallest HFR {fit.floor_px.value:.2f} px")

axes = starsize.plot(fit)
axes.figure.savefig("02_one_sweep.png")
