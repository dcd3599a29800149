"""Best focus of a lens with colour: a simulated 100 mm f/6 achromat, at the level of HFR points.

The noiseless curves of L, R, G and B come from the simulator's waves, several colours per band;
seeing jitter of 5 % and star noise of 0.3 % are added, 11 positions over +-500 um. Three narrow
filters, which have no colour, complete the night. Errors are in zones, from the smallest HFR of the
noiseless curve.

Run: ``python scripts/precision_colour.py [--nights 30]``
"""

import argparse

import numpy as np
from scipy.interpolate import CubicSpline

from starsize.curves import fit_curves, focus_curve
from starsize.filters import BANDS
from starsize.optics import critical_focus_zone_um
from starsize.simulate import SCENARIOS, true_best_focus, true_curve

FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")
HALF_UM, POSITIONS, JITTER, STAR = 500.0, 11, 0.05, 0.003


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=30)
    asked = parser.parse_args()
    scene = SCENARIOS["achromat"].scene
    half = HALF_UM / scene.focuser.um_per_step
    truth = {}
    for name in FILTERS:
        best = true_best_focus(scene, name)
        grid = best + np.linspace(-1.25, 1.25, 51) * half
        zone = critical_focus_zone_um(BANDS[name].wavelength_nm, scene.lens.focal_ratio)
        curve = CubicSpline(grid, true_curve(scene, name, grid))
        truth[name] = best, zone / scene.focuser.um_per_step, curve
    sharp = min(float(curve(best)) for best, _, curve in truth.values())
    found: dict[str, list[tuple[float, float, float]]] = {name: [] for name in FILTERS}
    for night in range(asked.nights):
        rng = np.random.default_rng((3, night))
        fits = fit_curves(
            [draw(rng, *truth[name], half=half, sharp=sharp) for name in FILTERS]
        ).fits
        for name, fit in zip(FILTERS, fits, strict=True):
            best, zone, _ = truth[name]
            plain = fit.hyperbola_steps.value
            values = fit.best_steps - best, fit.best_sigma_steps, plain - best
            found[name].append(tuple(v / zone for v in values))
    print("| filter | mean error | rms error | stated sigma | beyond 3 sigma | plain hyperbola |")
    print("|---|---|---|---|---|---|")
    for name, rows in found.items():
        error, sigma, plain = np.array(rows).T
        beyond = np.nanmean(np.abs(error) > 3 * sigma)
        print(
            f"| {name} | {np.nanmean(error):.2f} | {np.sqrt(np.nanmean(error**2)):.2f} "
            f"| {np.nanmedian(sigma):.2f} | {100 * beyond:.0f} % | {np.nanmean(plain):.2f} |"
        )


def draw(rng, best, zone, curve, *, half: float, sharp: float):  # noqa: ARG001 -- one row of truth
    """One sweep, its middle within half a spacing of best focus."""
    middle = best + rng.uniform(-0.5, 0.5) * 2 * half / (POSITIONS - 1)
    position = np.round(np.linspace(middle - half, middle + half, POSITIONS))
    radius = curve(position)
    # Seeing widens the light of one colour; of a star that is wide already it changes less.
    radius = radius * (1 + JITTER * rng.standard_normal(POSITIONS) * (sharp / radius) ** 2)
    sigma = STAR * radius
    return focus_curve(position, radius + sigma * rng.standard_normal(POSITIONS), sigma)


if __name__ == "__main__":
    main()
