"""Radii measured elsewhere: fit them without a single frame, and ask the curve anything."""

import numpy as np

import starsize

position_steps = np.arange(11900, 12101, 20)
noise = np.random.default_rng(1).standard_normal(position_steps.size)
radius_px = np.hypot(1.4, 0.06 * (position_steps - 12007)) * (1 + 0.01 * noise)

curve = starsize.focus_curve(position_steps, radius_px, 0.01 * radius_px, filter="G")
fit = starsize.fit_curve(curve)
print(f"best focus {fit.best_steps:.0f} steps, standard uncertainty {fit.best_sigma_steps:.1f}")
print(f"20 steps off, stars are {starsize.radius_at(fit, [fit.best_steps + 20])[0]:.2f} px")

axes = starsize.plot(fit)
axes.figure.savefig("04_own_radii.png")
