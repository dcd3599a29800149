"""What each mechanism of the fit earns: the error of best focus with and without it, paired.

Run: ``python scripts/mechanisms.py --nights 6``; writes ``scripts/results/mechanisms.md``. The same
seeded nights at the level of radii are fitted as they are and with one mechanism switched off;
lenses and frames are the simulator's (`precision.py`). A row says by how much the rms error grows,
with its standard uncertainty (jackknife over nights), and error over stated sigma, by kinds of
nights.
"""

import argparse
import json
import sys
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
from precision import curves_of, radii_of, what_is_known

from starsize.curves import (
    FocusCurve,
    fit as fit_module,
    posterior,
    statistics,
)
from starsize.curves.fit import fit_curves
from starsize.curves.night import Night
from starsize.optics import star
from starsize.simulate import PointsPlan, draw_points
from starsize.simulate.points import SweepPoints

DESCEND = posterior.descend
RESULT = Path(__file__).parent / "results" / "mechanisms.md"
BROAD = ("L", "R", "G", "B")
FEW = PointsPlan(order=BROAD, positions=7, wrecked=1, wrecks=(0.6, 0.8, 1.5, 3.0))
PLANS = {
    "seven": PointsPlan(),
    "wrecked": FEW,
    "alone": replace(FEW, order=("L",)),
    "camera": PointsPlan(order=("G", "R", "B"), together=True, positions=9),
    "warm": PointsPlan(order=("L", "R", "L", "B"), positions=9),
}
ROUND = ("triplet_f5.5", "doublet_f7", "mirror_f4", "petzval_f5")
COLOURED = ("achromat_f6", "achromat_f10", "blue_corrected_f7")
KINDS = ("round", "achromats", "odd", "wrecked", "few")
PRIORS: Mapping[str, Mapping[str, object]] = {
    "air": {"air": 1e-4},
    "spectrum": {"spectrum_spread": (1e-4, 1e-4, 0.3)},
    "rounding of bands": {"spectrum_spread": (0.4, 0.4, 1e-4)},
    "tint": {"tint": 1e-4},
    "spread of defocus": {"spread_floors": 1e-4},
    "third colour term": {"colour_um": (150.0, 2000.0, 1e-3)},
    "spherical aberration": {"spherical_waves": 1e-4},
    "tail of glass": {"glass_tail": np.inf},
    "tail of colour": {"colour_tail": np.inf},
    "tail of slope": {"slope_tail": np.inf},
    "wrecks": {"wrecked": 1e-12},
    "second radius": {"core": 1e3},
    "scatter of diffraction": {"optics_stated": 1e-5},
}


def _starts(chosen: Callable[[list], list]) -> Callable:
    whole = posterior.starts
    return lambda night: chosen(whole(night))


def _known_wreck(residual: np.ndarray, sound: np.ndarray, wild: np.ndarray) -> np.ndarray:
    return sound + wild + 0 * residual


def _first_descents(
    night: Night, start: np.ndarray, *, jitter: float, lack: float, steps: int
) -> posterior.Fit:
    """Descents at the scatters that are found are left out."""
    first = jitter in (posterior.USUAL["jitter"], posterior.COARSE["jitter"])
    return DESCEND(night, start, jitter=jitter, lack=lack, steps=steps * first)


SWITCHES: Mapping[str, list[tuple[object, str, object]]] = {
    "lack": [(posterior, "LACKS", np.array([1e-3])), (statistics.PRIORS, "lack", 1e-3)],
    "fine grid of jitter": [(posterior, "JITTERS", statistics.JITTERS[::2])],
    "wrecks of their own scale": [
        (statistics, "wreck_variance", _known_wreck),
    ],
    "second descent": [(posterior, "descend", _first_descents)],
    "all starts but one": [(posterior, "starts", _starts(lambda s: s[:1]))],
    "starts of strong colour": [(posterior, "starts", _starts(lambda s: s[:-2]))],
    "followed starts but one": [(posterior, "STARTS_KEPT", 1)],
    "start of seen colour": [(posterior, "starts", _starts(lambda s: [s[0], *s[-2:]]))],
    "wide first variance": [
        (posterior, "COARSE", posterior.USUAL),
    ],
    "four parts of a cell": [
        (star, "PARTS", 2),
        (star, "SPREAD_NODES", np.sqrt(0.5) * np.array([1, -1])),
    ],
    "fine colours": [(star, "FINE_NM", 40.0)],
    "sweeps that do not belong": [(fit_module, "MISFIT", 2.0)],
    "kinds of lenses": [(statistics.PRIORS, "few_bands", 0)],
}


@contextmanager
def without(name: str) -> Iterator[None]:
    """Switch one mechanism off for a while."""
    changes: list[tuple[object, str, object]] = [
        (statistics.PRIORS, key, value) for key, value in PRIORS.get(name, {}).items()
    ]
    changes += SWITCHES.get(name, [])
    before = [getattr(owner, key) for owner, key, _ in changes]
    for owner, key, value in changes:
        object.__setattr__(owner, key, value)
    yield
    for (owner, key, _), value in zip(changes, before, strict=True):
        object.__setattr__(owner, key, value)


def warmed(curve: FocusCurve, points: SweepPoints, k: int) -> tuple[FocusCurve, SweepPoints]:
    """The sweep two degrees warmer than the one before, from the other side: both move it."""
    way = k % 2
    shift = 6.0 * k + 25.0 * way
    curve = replace(
        curve,
        position_steps=curve.position_steps + shift,
        temperature_degC=0 * curve.position_steps + 2.0 * k,
        approach="outward" if way else "inward",
    )
    return curve, replace(points, best_steps=points.best_steps + shift)


def errors(lens: str, case: str, seed: int) -> np.ndarray:
    """Error in zones and in stated sigmas of each sweep, (n, 2); NaN where refused."""
    table = radii_of(lens, dyes=PLANS[case].together)
    known, bands = what_is_known(table)
    points = draw_points(table, PLANS[case], seed=seed)
    curves = curves_of(points, together=PLANS[case].together)
    if case == "warm":
        pairs = [warmed(c, p, k) for k, (c, p) in enumerate(zip(curves, points, strict=True))]
        curves, points = [c for c, _ in pairs], tuple(p for _, p in pairs)
    fits = fit_curves(curves, telescope=known, bands=bands).fits
    miss = np.array([f.best_steps - p.best_steps for f, p in zip(fits, points, strict=True)])
    zone = np.array([p.zone_steps for p in points])
    return np.column_stack([miss / zone, miss / [f.best_sigma_steps for f in fits]])


def kind(lens: str, case: str) -> str:
    """Of nights that are counted together."""
    if case in ("wrecked", "alone", "camera"):
        return "wrecked" if case == "wrecked" else "few"
    if lens in COLOURED:
        return "achromats"
    return "round" if lens in ROUND else "odd"


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))


def cells(base: list[np.ndarray], less: list[np.ndarray]) -> str:
    """Growth of the rms in per cent with its uncertainty; error over stated; refused."""
    count = len(base)
    if not count:
        return "-"

    def growth(skip: int) -> float:
        rows = [k for k in range(count) if k != skip]
        a, b = (np.concatenate([x[k] for k in rows])[:, 0] for x in (base, less))
        both = np.isfinite(a) & np.isfinite(b)
        return 100 * (rms(b[both]) / rms(a[both]) - 1)

    few = np.array([growth(k) for k in range(count)]) if count > 1 else np.zeros(1)
    spread = np.sqrt((count - 1) * np.var(few)) if count > 1 else np.nan
    whole = np.concatenate(less)
    lost = int(np.isnan(whole[:, 0]).sum())
    return f"{growth(-1):+.0f} ± {spread:.0f}, {rms(whole[:, 1]):.2f}" + (f" ({lost})" * (lost > 0))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--lenses", default=",".join((*ROUND, *COLOURED)))
    parser.add_argument("--cases", default=",".join(PLANS))
    parser.add_argument("--only", default="", help="mechanisms, separated by commas")
    parser.add_argument("--store", type=Path, help="keep errors here, and add to those in it")
    parser.add_argument("--out", type=Path, default=RESULT)
    asked = parser.parse_args()
    names = asked.only.split(",") if asked.only else [*PRIORS, *SWITCHES]
    found: dict[str, list] = {}
    if asked.store and asked.store.exists():
        found = json.loads(asked.store.read_text(encoding="utf-8"))
    for lens in asked.lenses.split(","):
        for case, k in product(asked.cases.split(","), range(asked.nights)):
            seed = 1000 * asked.seed + k
            for name in ("nothing", *names):
                key = f"{lens}/{case}/{seed}/{name}"
                if key not in found:
                    with without(name), warnings.catch_warnings(action="ignore"):
                        found[key] = errors(lens, case, seed).tolist()
            if asked.store:
                asked.store.write_text(json.dumps(found), encoding="utf-8")
    asked.out.write_text(table_of(found), encoding="utf-8")
    print(asked.out.read_text(encoding="utf-8"))


def table_of(found: Mapping[str, list]) -> str:
    """The table of all that was found."""
    lines = [
        "# What each mechanism of the fit earns",
        "",
        f"`python scripts/mechanisms.py {' '.join(sys.argv[1:])}`. A cell: by how many per cent "
        "the rms error of best focus grows without it, its standard uncertainty, error over stated "
        "sigma (sweeps refused).",
        "",
        f"| without | {' | '.join(KINDS)} |",
        "|---" * (len(KINDS) + 1) + "|",
    ]
    for name in dict.fromkeys(key.split("/")[3] for key in found):
        pairs: dict[str, tuple[list, list]] = {kd: ([], []) for kd in KINDS}
        for key, less in found.items():
            lens, case, seed, whose = key.split("/")
            if whose == name:
                base, without_it = pairs[kind(lens, case)]
                base.append(np.array(found[f"{lens}/{case}/{seed}/nothing"]))
                without_it.append(np.array(less))
        lines.append(f"| {name} | {' | '.join(cells(*pairs[kd]) for kd in KINDS)} |")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    main()
