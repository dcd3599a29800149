"""How well best focus is found, over invented telescopes, at the level of radii.

Run: ``python scripts/precision.py --lenses triplet_f5.5,mirror_f4 --nights 20``; writes
``scripts/results/precision.md``. Radii come from the simulator's own physics, and the lenses are of
catalogue glasses; the bound is that of Cramer and Rao for this model, the scatter of the seeing
known, priors included.
"""

import argparse
import shlex
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from _results import commit
from _sweeps import drawn_curve

from starsize.curves import BoundedRadii, Known, fit_curves
from starsize.curves.curve import FocusCurve
from starsize.curves.night import build_night
from starsize.curves.posterior import best_focus, find, normal_equations
from starsize.filters import Band
from starsize.optics.star import Apertures
from starsize.simulate import (
    LENSES,
    PointsPlan,
    RadiusTable,
    draw_points,
    dye_plates,
    tabulate_radii,
)
from starsize.simulate.lenses import followed
from starsize.simulate.points import SweepPoints

RESULT = Path(__file__).parent / "results" / "precision.md"
ALONE = PointsPlan(order=("L",))
CASES = {
    "seven filters": PointsPlan(),
    "calm air": PointsPlan(jitter=0.01, star_noise=0.002),
    "restless air": PointsPlan(jitter=0.15, star_noise=0.01),
    "short sweeps": PointsPlan(reach=0.6),
    "one frame wrecked": PointsPlan(wrecked=1),
    "two frames wrecked": PointsPlan(wrecked=2),
    "five positions": PointsPlan(positions=5),
    "L R G B": PointsPlan(order=("L", "R", "G", "B")),
    "L alone": ALONE,
    "L alone, 7 positions": replace(ALONE, positions=7),
    "L alone, one wrecked": replace(ALONE, wrecked=1),
    "no setup": PointsPlan(),
    "colour camera": PointsPlan(order=("G", "R", "B"), together=True),
}


@cache
def radii_of(lens: str, *, dyes: bool = False, grid: int = 49) -> RadiusTable:
    """Radii of a practice lens; before a colour camera its channels round off as dyes do."""
    scene = LENSES[lens]
    if dyes:
        plates = dye_plates(samples=301).items()
        scene = replace(scene, filters={n: followed(one, scene.lens) for n, one in plates})
    return tabulate_radii(scene, grid=grid)


def curves_of(points: tuple[SweepPoints, ...], *, together: bool) -> list[FocusCurve]:
    """Focus curves of drawn sweeps; channels of one exposure share its time and name."""
    mjd = 60000 + np.arange(len(points[0].position_steps)) / 1440
    curves = []
    for k, p in enumerate(points):
        curve = drawn_curve(p, id=f"{p.filter}-{k}", time_mjd=mjd if together else float("nan"))
        seen = Apertures(*np.column_stack([p.bounds_px, 0 * p.wreck]).T)
        bounded = BoundedRadii(p.radius_px[:, 3], p.sigma_px[:, 3], seen)
        curves.append(replace(curve, bounded=bounded))
    return curves


def what_is_known(table: RadiusTable) -> tuple[Known, dict[str, Band]]:
    """What the setup file of the scene would state."""
    scene = table.scene
    known = Known(
        focal_ratio=scene.lens.focal_ratio,
        pixel_um=scene.sensor.pixel_um,
        um_per_step=scene.focuser.um_per_step,
        obstruction=scene.lens.obstruction,
    )
    bands = {name: Band(*plate.passband_nm()) for name, plate in scene.filters.items()}
    return known, bands


def nights(
    table: RadiusTable, case: str, count: int, seed: int
) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray, float, int]]:
    """Error, stated sigma and bound of each sweep answered, in zones; CPU; sweeps refused."""
    plan = CASES[case]
    known, bands = what_is_known(table)
    if case == "no setup":
        known, bands = Known(), {}
    for k in range(count):
        points = draw_points(table, plan, seed=1000 * seed + k)
        curves = curves_of(points, together=plan.together)
        started = time.process_time()
        fits = fit_curves(curves, telescope=known, bands=bands).fits
        spent = time.process_time() - started
        whole = [c.part(np.isclose(p.wreck, 1)) for c, p in zip(curves, points, strict=True)]
        night = build_night(whole, known=known, bands=bands)
        likely = find(night, jitter=plan.jitter, lack=1e-4)
        normal = normal_equations(likely, likely.scatter(plan.jitter, 1e-4))[0]
        lever = best_focus(night, likely.values)[1]
        bound = np.sqrt(np.einsum("ij,jk,ik->i", lever, np.linalg.inv(normal), lever))
        rows = [
            np.array([f.best_steps - p.best_steps, f.best_sigma_steps, b]) / p.zone_steps
            for f, p, b in zip(fits, points, bound, strict=True)
            if f.answered
        ]  # fmt: skip
        error, sigma, least = np.array(rows).reshape(-1, 3).T
        yield error, sigma, least, spent, len(fits) - len(rows)


def line(name: str, case: str, asked: argparse.Namespace) -> str:
    """One row of the table."""
    table = radii_of(name, dyes=CASES[case].together, grid=asked.grid)
    found = list(nights(table, case, asked.nights, asked.seed))
    error, sigma, bound = (np.concatenate([f[i] for f in found]) for i in range(3))
    pull = error / sigma
    return (
        f"| {name} | {case} | {error.size} | {sum(f[4] for f in found)} | {_rms(error):.3f} | "
        f"{_rms(error) / _rms(bound):.2f} | {_rms(pull):.2f} | {np.mean(np.abs(pull) < 1):.2f} | "
        f"{np.mean(np.abs(pull) < 2):.3f} | {np.abs(error).max():.2f} | {np.abs(pull).max():.1f} | "
        f"{np.mean([f[3] for f in found]):.2f} |"
    )


def _rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--lenses", default=",".join(LENSES), help="comma separated")
    parser.add_argument("--cases", default=",".join(CASES), help="comma separated")
    parser.add_argument("--nights", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--grid", type=int, default=49, help="positions of the tables of radii")
    parser.add_argument("--out", type=Path, default=RESULT)
    asked = parser.parse_args()
    head = [
        "# Best focus at the level of radii",
        "",
        f"`python scripts/precision.py {shlex.join(sys.argv[1:])}`, at commit {commit()}: "
        f"{asked.nights} nights a row, seed {asked.seed}. Errors in critical focus zones; bound: "
        "Cramer-Rao.",
        "",
        "| lens | case | sweeps | refused | rms | rms / bound | error / stated | in 68 | in 95 "
        "| worst | worst / stated | CPU s a night |",
        "|---" * 12 + "|",
    ]
    print("\n".join(head))
    rows = []
    for name in asked.lenses.split(","):
        for case in asked.cases.split(","):
            rows.append(line(name, case, asked))
            print(rows[-1], flush=True)
            asked.out.write_text("\n".join([*head, *rows]) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
