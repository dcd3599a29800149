"""CPU time of the curve fits, against scipy's plain least squares of a hyperbola.

Run: ``python scripts/bench/bench_curves.py``. Aims: one sweep under 20 ms, whatever its curve, 100
sweeps of one telescope together under 2 s. A lens with colour takes longer: the band of foci is
tried.
"""

import time

import numpy as np
from starsize.curves.band import band_radius

from starsize.curves import (
    FocusCurve,
    blurred_disc,
    fit_curve,
    fit_curves,
    fit_hyperbola,
    focus_curve,
)

LENS = ((4.0, 2.0), (1.9, 0.6), (2.6, 2.2), (0.1, 0.0), (0.1, 0.0), (1.0, 0.5), (3.0, 1.0))
"""Line and bend of seven filters' foci (see ``starsize.curves.band``), invented."""


def sweeps(count: int, positions: int = 11) -> list[FocusCurve]:
    rng = np.random.default_rng(1)
    made = []
    for number in range(count):
        position = np.linspace(840, 1160, positions)
        floor = 2 * (1 + 0.06 * rng.standard_normal(positions))
        best = 1000 + 20 * rng.standard_normal()
        radius = np.array(
            [
                blurred_disc(p, best, f, slope_px_per_step=0.05)
                for p, f in zip(position, floor, strict=True)
            ]
        )
        made.append(noisy(position, radius, rng, share=0.005, name=str(number)))
    return made


def coloured(line: float, bend: float, *, seed: int, positions: int = 11) -> FocusCurve:
    """A sweep whose light trails off to one side, as one filter of a simple lens shows it."""
    rng = np.random.default_rng(seed)
    position = np.linspace(840, 1160, positions)
    floor = 2 * (1 + 0.04 * rng.standard_normal(positions))
    u = 0.05 * (position - 1000) / floor
    one = np.ones(positions)
    radius = floor * band_radius(u, line * one, bend * one, obstruction=0.0).value
    return noisy(position, radius, rng, share=0.004, name=f"{line:g}-{bend:g}-{seed}")


def noisy(
    position: np.ndarray, radius: np.ndarray, rng: np.random.Generator, *, share: float, name: str
) -> FocusCurve:
    sigma = share * radius
    return focus_curve(position, radius + sigma * rng.standard_normal(radius.size), sigma, id=name)


def seconds(work) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    curves = sweeps(100)
    lens = [coloured(line, bend, seed=i) for i, (line, bend) in enumerate(LENS)]
    odd = [
        coloured(*LENS[filter_], seed=seed, positions=positions)
        for filter_ in (0, 1, 2)
        for positions in (7, 9, 11, 15)
        for seed in range(5)
    ]
    for curve in (curves[0], odd[0]):
        fit_curve(curve)
    plain = seconds(lambda: [fit_hyperbola(c.position_steps, c.radius_px) for c in curves]) / 100
    each = np.array([seconds(lambda c=c: fit_curve(c)) for c in odd])
    lines = {
        "plain hyperbola, one sweep": plain,
        "fit_curve, one sweep": seconds(lambda: [fit_curve(c) for c in curves[:30]]) / 30,
        "the same, asymmetric, median": np.median(each),
        "the same, asymmetric, slowest": each.max(),
        "fit_curves, 7 sweeps": seconds(lambda: fit_curves(curves[:7])),
        "fit_curves, 7 of a lens": seconds(lambda: fit_curves(lens)),
        "fit_curves, 100 sweeps": seconds(lambda: fit_curves(curves)),
    }
    for name, taken in lines.items():
        print(f"{name:30s} {1e3 * taken:8.2f} ms   {taken / plain:.1f}")


if __name__ == "__main__":
    main()
