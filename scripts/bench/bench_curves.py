"""CPU time of the curve fits, as a ratio to scipy's plain least squares of a hyperbola.

Run: ``python scripts/bench/bench_curves.py [--sweeps 11]``. The sweeps are those of invented
telescopes of catalogue glasses, at the level of radii, 11 positions each.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import replace
from functools import partial

from starsize.curves import FocusCurve, fit_curves, fit_hyperbola, focus_curve, inner_radii
from starsize.simulate import LENSES, PointsPlan, draw_points, tabulate_radii

ORDER = ("L", "R", "G", "B", "Ha", "OIII", "SII")


def sweeps(lens: str, count: int) -> list[FocusCurve]:
    """Sweeps through the filters in turn."""
    order = tuple(ORDER[k % len(ORDER)] for k in range(count))
    points = draw_points(tabulate_radii(LENSES[lens]), PointsPlan(order=order), seed=1)
    curves = [
        focus_curve(
            p.position_steps, p.radius_px[:, 1], p.sigma_px[:, 1], filter=p.filter, id=str(k)
        )
        for k, p in enumerate(points)
    ]
    return [
        replace(c, inner=inner_radii(p.radius_px[:, 0], p.radius_px[:, 1], c.to_fit()))
        for c, p in zip(curves, points, strict=True)
    ]


def seconds(work: Callable[[], object], *, tries: int = 3) -> float:
    """Least CPU time of several tries."""
    taken = []
    for _ in range(tries):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sweeps", type=int, default=11, help="sweeps of the longest night")
    longest = parser.parse_args().sweeps
    for lens in ("triplet_f5.5", "mirror_f4"):
        curves = sweeps(lens, longest)
        fit_curves(curves[:1])
        one = curves[0]
        plain = seconds(partial(fit_hyperbola, one.position_steps, one.radius_px), tries=20)
        print(f"{lens:14s} plain hyperbola {1e3 * plain:9.2f} ms")
        for count in (1, 7, longest):
            taken = seconds(partial(fit_curves, curves[:count]))
            print(
                f"{lens:14s} {count:3d} sweeps      {1e3 * taken:9.2f} ms   x {taken / plain:.0f}"
            )


if __name__ == "__main__":
    main()
