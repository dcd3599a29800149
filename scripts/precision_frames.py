"""How precise best focus is from simulated frames: draw a night, measure its stars, fit.

Nights are written to a temporary folder and read back, so that the whole path is tried. Truth is
the position at which the noiseless star is smallest, for the sweep's own temperature.

Run: ``python scripts/precision_frames.py [--seeds 5] [--scenario parfocal_refractor]``
"""

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from starsize.curves import CurveFit, fit_curves
from starsize.filters import BANDS
from starsize.frames import find_sweeps, list_frames, load_setup
from starsize.optics import critical_focus_zone_um
from starsize.pipeline import curve_of
from starsize.simulate import SCENARIOS, simulate_night, write_night
from starsize.simulate.write import setup_text
from starsize.tracking import measure_sweeps


def night_curves(
    name: str, seed: int, *, stars: int, miscentre: float, order: tuple[str, ...], scatter: float
):
    """Curves of one drawn night, the true best focus of each sweep, and the scene."""
    scenario = SCENARIOS[name]
    scene = replace(scenario.scene, stars=replace(scenario.scene.stars, count=stars))
    if scatter >= 0:
        scene = replace(scene, focuser=replace(scene.focuser, scatter_steps=scatter))
    plan = replace(scenario.plan, miscentre_steps=miscentre, positions=11)
    if order:
        plan = replace(plan, order=order)
    night = simulate_night(scene, plan, seed=seed)
    with tempfile.TemporaryDirectory() as folder:
        write_night(Path(folder), night)
        (Path(folder) / "setup.toml").write_text(setup_text(scene), encoding="utf-8")
        setup = load_setup(Path(folder) / "setup.toml")
        sweeps = find_sweeps(list_frames([Path(folder)], setup=setup))[0]
        curves = [curve_of(one) for one in measure_sweeps(sweeps, setup=setup)]
    truth = [sweep.best_focus_steps for sweep in night.truth.sweeps]
    return curves, truth, scene


def report(kind: str, fits: list[CurveFit], truth: list[float]) -> None:
    answered = [(f, t) for f, t in zip(fits, truth, strict=True) if f.answered]
    error = np.array([f.best_steps - t for f, t in answered])
    sigma = np.array([f.best_sigma_steps for f, _ in answered])
    chi2 = [f.chi2_reduced for f, _ in answered]
    within = error / sigma
    print(
        f"{kind}: {len(answered)} of {len(fits)} answered, "
        f"rms error {np.sqrt(np.mean(error**2)):.2f} steps, "
        f"median sigma {np.median(sigma):.2f} steps, "
        f"rms error/sigma {np.sqrt(np.mean(within**2)):.2f}, "
        f"beyond 3 sigma {np.mean(abs(within) > 3):.3f}, reduced chi-square {np.mean(chi2):.2f}",
        flush=True,
    )


def show(seed: int, fit: CurveFit, best: float, zone: float) -> None:
    noise = 100 * np.median(fit.curve.radius_sigma_px / fit.curve.radius_px)
    print(
        f"  seed {seed} {fit.curve.filter:4s} {fit.verdict:12s} {fit.model:12s} "
        f"error {fit.best_steps - best:6.2f} +- {fit.best_sigma_steps:.2f} steps, "
        f"{(fit.best_steps - best) / zone:6.2f} zones; "
        f"hyperbola {(fit.hyperbola_steps.value - best) / zone:6.2f} zones; "
        f"jitter {100 * fit.jitter:.1f} %, star noise {noise:.2f} %",
        flush=True,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--scenario", default="parfocal_refractor", choices=sorted(SCENARIOS))
    parser.add_argument("--stars", type=int, default=200)
    parser.add_argument("--miscentre", type=float, default=6.0)
    parser.add_argument("--scatter", type=float, default=-1.0, help="of the focuser, steps")
    parser.add_argument("--order", default="", help="filters, such as L,R,G,B")
    asked = parser.parse_args()
    order = tuple(asked.order.split(",")) if asked.order else ()
    found: dict[str, tuple[list[CurveFit], list[float]]] = {}
    for seed in range(asked.seeds):
        curves, truth, scene = night_curves(
            asked.scenario,
            seed,
            stars=asked.stars,
            miscentre=asked.miscentre,
            order=order,
            scatter=asked.scatter,
        )
        kwargs = {"obstruction": scene.lens.obstruction}
        for model in ("auto", "blurred_disc", "hyperbola"):
            fits = fit_curves(curves, model=model, **kwargs).fits
            kept = found.setdefault(f"{model:12s}", ([], []))
            kept[0].extend(fits)
            kept[1].extend(truth)
            if model == "auto":
                for fit, best in zip(fits, truth, strict=True):
                    zone = zone_steps(fit.curve.filter, scene)
                    each = found.setdefault(f"auto {fit.curve.filter:7s}", ([], []))
                    each[0].append(fit)
                    each[1].append(best)
                    show(seed, fit, best, zone)
    for kind, (fits, truth) in found.items():
        report(kind, fits, truth)


def zone_steps(name: str, scene) -> float:
    zone = critical_focus_zone_um(BANDS[name].wavelength_nm, scene.lens.focal_ratio)
    return zone / scene.focuser.um_per_step


if __name__ == "__main__":
    main()
