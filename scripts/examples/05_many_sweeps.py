"""Several sweeps on common axes: which filter has other wings, or a blurred star.

Here the radii are invented: three filters, the last with a slightly blurred star.
"""

import numpy as np

import starsize

position_steps = np.arange(900.0, 1101.0, 20.0)
noise = np.random.default_rng(2)
curves = [
    starsize.focus_curve(
        position_steps,
        np.hypot(floor_px, 0.05 * (position_steps - best)) * noise.normal(1, 0.01, 11),
        0.02,
        filter=name,
        id=name,
    )
    for name, best, floor_px in (("R", 1003.0, 1.5), ("G", 998.0, 1.5), ("B", 1001.0, 1.8))
]
fits = starsize.fit_curves(curves)
for fit in fits.answered:
    print(f"{fit.curve.filter}: best focus {fit.best_steps:.0f}, HFR {fit.floor_px.value:.1f} px")

axes = starsize.plot(fits)
axes.figure.savefig("05_many_sweeps.png")
