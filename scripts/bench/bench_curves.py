"""CPU time of the curve fits, against scipy's plain least squares of a hyperbola.

Run: ``python scripts/bench/bench_curves.py``. Aims: one sweep under 20 ms, 100 sweeps of one
telescope together under 2 s. A lens with colour takes longer: the band of foci is tried.
"""

import time

import numpy as np

from starsize.curves import blurred_disc, fit_curve, fit_curves, fit_hyperbola, focus_curve


def sweeps(count: int, positions: int = 11) -> list:
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
        sigma = 0.005 * radius
        noisy = radius + sigma * rng.standard_normal(positions)
        made.append(focus_curve(position, noisy, sigma, id=str(number)))
    return made


def seconds(work) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    curves = sweeps(100)
    fit_curve(curves[0])
    plain = seconds(lambda: [fit_hyperbola(c.position_steps, c.radius_px) for c in curves]) / 100
    alone = seconds(lambda: [fit_curve(c) for c in curves[:30]]) / 30
    seven = seconds(lambda: fit_curves(curves[:7]))
    hundred = seconds(lambda: fit_curves(curves))
    print(f"plain hyperbola, one sweep  {1e3 * plain:8.2f} ms   1")
    print(f"fit_curve, one sweep        {1e3 * alone:8.2f} ms   {alone / plain:.1f}")
    print(f"fit_curves, 7 sweeps        {1e3 * seven:8.2f} ms   {seven / plain:.1f}")
    print(f"fit_curves, 100 sweeps      {1e3 * hundred:8.2f} ms   {hundred / plain:.1f}")


if __name__ == "__main__":
    main()
