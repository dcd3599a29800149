"""Best focus of lenses with colour: simulated achromats, at the level of HFR points.

The noiseless curves of L, R, G and B come from the simulator's waves, several colours per band;
seeing jitter of 5 % and star noise of 0.3 % are added, 11 positions over +-500 um. Three narrow
filters, which have no colour, complete the night. Errors are in zones, from the smallest HFR of the
noiseless curve. Every telescope is invented: the 100 mm f/6 achromat of the scenario, and others
that nothing was fitted to.

Run: ``python scripts/precision_colour.py [--nights 300] [--telescope half]``
"""

import argparse
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy.interpolate import CubicSpline

from starsize.curves import fit_curves, focus_curve
from starsize.filters import BANDS
from starsize.optics import critical_focus_zone_um
from starsize.simulate import SCENARIOS, Scene, true_best_focus, true_curve
from starsize.simulate.plate import band_samples

FILTERS = ("L", "R", "G", "B", "Ha", "OIII", "SII")
HALF_UM, POSITIONS, JITTER, STAR = 500.0, 11, 0.05, 0.003
TELESCOPES: Mapping[str, dict[str, float]] = {
    "achromat": {},
    "f/7.5": {"focal_length_mm": 750.0},
    "f/5.5": {"focal_length_mm": 550.0},
    "half": {"colour_share": 0.5},
    "aberrated": {"spherical_um": 100.0},
    "overcorrected": {"spherical_um": -100.0},
    "obstructed": {"obstruction": 0.3},
    "wide bands": {"width": 1.2},
    "narrow bands": {"width": 0.8},
    "hard edges": {"taper": 0.0},
    "25 colours": {"samples": 25},
    "f/7, hard edges": {
        "focal_length_mm": 700.0,
        "colour_share": 0.8,
        "taper": 0.0,
        "samples": 25,
    },
    "narrow, sharper edges": {"width": 0.85, "taper": 0.4, "samples": 25},
    "f/5.5, aberrated": {
        "focal_length_mm": 550.0,
        "spherical_um": 60.0,
        "colour_share": 0.75,
        "taper": 0.6,
        "samples": 25,
    },
}


def telescope(name: str) -> Scene:
    """The scenario's achromat with its lens or its bands changed."""
    scene = SCENARIOS["achromat"].scene
    changes = dict(TELESCOPES[name])
    wider, taper = changes.pop("width", 1.0), changes.pop("taper", 0.9)
    samples = int(changes.pop("samples", 9))
    plates = dict(scene.filters)
    for filter_name in "LRGB":
        colours = plates[filter_name].wavelengths_nm
        middle, spacing = float(np.mean(colours)), colours[1] - colours[0]
        colours, weights = band_samples(
            middle, wider * spacing * len(colours), samples=samples, taper=taper
        )
        plates[filter_name] = replace(plates[filter_name], wavelengths_nm=colours, weights=weights)
    return replace(scene, filters=plates, lens=replace(scene.lens, **changes))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=300)
    parser.add_argument("--telescope", default="achromat", choices=(*TELESCOPES, "all"))
    asked = parser.parse_args()
    names = list(TELESCOPES) if asked.telescope == "all" else [asked.telescope]
    print(
        "| telescope | filter | mean error | rms error | stated sigma | rms error / sigma "
        "| beyond 3 sigma | plain hyperbola |\n|---|---|---|---|---|---|---|---|"
    )
    for name in names:
        for filter_name, rows in nights(telescope(name), asked.nights).items():
            error, sigma, plain = np.array(rows).T
            within = error / sigma
            print(
                f"| {name} | {filter_name} | {np.nanmean(error):.2f} "
                f"| {np.sqrt(np.nanmean(error**2)):.2f} | {np.nanmedian(sigma):.2f} "
                f"| {np.sqrt(np.nanmean(within**2)):.2f} "
                f"| {np.sum(np.abs(within) > 3)} of {np.sum(np.isfinite(within))} "
                f"| {np.nanmean(plain):.2f} |",
                flush=True,
            )


def nights(scene: Scene, count: int) -> dict[str, list[tuple[float, ...]]]:
    """Per filter and night: error, stated sigma, error of the plain hyperbola, in zones."""
    half = HALF_UM / scene.focuser.um_per_step
    truth = {}
    for name in FILTERS:
        best = true_best_focus(scene, name)
        grid = best + np.linspace(-1.25, 1.25, 51) * half
        zone = critical_focus_zone_um(BANDS[name].wavelength_nm, scene.lens.focal_ratio)
        curve = CubicSpline(grid, true_curve(scene, name, grid))
        truth[name] = best, zone / scene.focuser.um_per_step, curve
    sharp = min(float(curve(best)) for best, _, curve in truth.values())
    found: dict[str, list[tuple[float, ...]]] = {name: [] for name in FILTERS}
    for night in range(count):
        rng = np.random.default_rng((3, night))
        fits = fit_curves(
            [draw(rng, *truth[name], half=half, sharp=sharp) for name in FILTERS],
            obstruction=scene.lens.obstruction,
        ).fits
        for name, fit in zip(FILTERS, fits, strict=True):
            best, zone, _ = truth[name]
            plain = fit.hyperbola_steps.value
            values = fit.best_steps - best, fit.best_sigma_steps, plain - best
            found[name].append(tuple(v / zone for v in values))
    return found


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
