"""Are the offsets unbiased and their intervals true? Monte Carlo at the level of sweeps.

Run: ``python scripts/offset_coverage.py --nights 2000``

Prints one row per case: mean error over its own standard error, rms error and the least possible
with the scatter known, coverage of the 68 % and 95 % intervals, and the median stated sigma. The
run-to-run scatter is drawn afresh each night from what is common among telescopes, or fixed to a
number of steps. Then the colour verdict on three telescopes, 500 nights each.
"""

import argparse
import time
from collections import Counter
from dataclasses import replace
from typing import Any

import numpy as np
from _sweeps import REFRACTOR, curves_of

from starsize import compare_sweeps
from starsize.comparison.offsets.adjustment import adjust, system_of
from starsize.comparison.offsets.sweeps import data_of_curves
from starsize.comparison.offsets.terms import choose_terms, expected_scatter
from starsize.setup import Focuser, Setup, Telescope
from starsize.simulate.colour_night import COLOUR_NIGHTS, UM_PER_STEP, ColourNight
from starsize.simulate.sweep_night import SweepNight

ONCE = ("L", "R", "G", "B", "Ha", "SII", "OIII")

STATED = replace(
    REFRACTOR, focuser=Focuser(um_per_step=4.0, steps_per_degC=-6.0, steps_per_degC_sigma=0.5)
)
COOLING: dict[str, Any] = {"steps_per_degC": -6.0, "warm": 12.0, "cold": 8.0}
USUAL = expected_scatter(REFRACTOR).median_steps
CASES = {
    "L three times, steady": (SweepNight(), REFRACTOR),
    "L three times, -4 degC": (SweepNight(**COOLING), REFRACTOR),
    "all twice, back and forth, -4 degC": (
        SweepNight(order=ONCE + ONCE[::-1], **COOLING),
        REFRACTOR,
    ),
    "all three times, -4 degC": (SweepNight(order=ONCE * 3, **COOLING), REFRACTOR),
    "once, steady": (SweepNight(order=ONCE), REFRACTOR),
    "once, -4 degC, coefficient stated": (SweepNight(order=ONCE, **COOLING), STATED),
    "once, -4 degC, coefficient unknown": (SweepNight(order=ONCE, **COOLING), REFRACTOR),
    "L three times, no thermometer, -4 degC": (
        SweepNight(thermometer=False, **COOLING),
        REFRACTOR,
    ),
    "all twice, both directions, backlash 40": (
        SweepNight(
            order=ONCE + ONCE[::-1], approach=("outward",) * 7 + ("inward",) * 7, backlash=40.0
        ),
        REFRACTOR,
    ),
}


def one_case(night: SweepNight, setup, count: int, seed: list[int]) -> dict:
    """Errors of every offset but the reference's over many nights, against stated intervals."""
    rng = np.random.default_rng(seed)
    errors, sigmas, halves = [], [], []
    for _ in range(count):
        drawn = night.scatter or USUAL * np.exp(rng.standard_normal())
        true = night.steps_per_degC
        if setup.focuser.steps_per_degC_sigma:
            true += setup.focuser.steps_per_degC_sigma * rng.standard_normal()
        data = data_of_curves(
            curves_of(replace(night, scatter=drawn, steps_per_degC=true).draw(rng))
        )
        scatter = expected_scatter(REFRACTOR).median_steps
        terms = choose_terms(data, setup)
        for name, offset in adjust(data, terms, scatter=scatter).offsets("L").items():
            if name != "L":
                errors.append(offset.value - night.offsets[name])
                sigmas.append(offset.sigma)
                halves.append(offset.half95)
    error, sigma, half = (np.array(v) for v in (errors, sigmas, halves))
    return {
        "bias": float(error.mean() / (error.reshape(count, -1).mean(axis=1).std() / count**0.5)),
        "rms": float(np.sqrt(np.mean(error**2))),
        "least": f"{least_rms(night, setup):.2f}" if night.scatter else "",
        "cover68": float(np.mean(np.abs(error) <= sigma)),
        "cover95": float(np.mean(np.abs(error) <= half)),
        "sigma": float(np.median(sigma)),
    }


def least_rms(night: SweepNight, setup) -> float:
    """Rms error of generalised least squares with the same terms and the scatter known."""
    data = data_of_curves(curves_of(night.draw(np.random.default_rng(0))))
    terms = choose_terms(data, setup)
    covariance = system_of(data, terms).solve(night.scatter).covariance[0]
    rows = np.eye(len(covariance))[1 : len(data.names)] - np.eye(len(covariance))[0]
    return float(np.sqrt(np.mean(np.einsum("mp,pq,mq->m", rows, covariance, rows))))


def coverage_table(count: int) -> None:
    print("| case | scatter | bias / its se | rms error | least | 68 % | 95 % | median sigma |")
    print("|---|---|---|---|---|---|---|---|")
    for case, (name, (night, setup)) in enumerate(CASES.items()):
        for i, scatter in enumerate((None, 0.5, 1.0, 2.0)):
            row = one_case(replace(night, scatter=scatter or 0.0), setup, count, seed=[5, case, i])
            print(
                f"| {name} | {scatter or 'drawn'} | {row['bias']:+.1f} | {row['rms']:.2f} "
                f"| {row['least']} | {row['cover68']:.3f} | {row['cover95']:.3f} "
                f"| {row['sigma']:.2f} |",
                flush=True,
            )


def judge(scene: ColourNight, rng: np.random.Generator) -> tuple[str, str]:
    setup = Setup(
        telescope=Telescope(focal_length_mm=scene.focal_length_mm, aperture_mm=scene.aperture_mm),
        focuser=Focuser(um_per_step=UM_PER_STEP),
    )
    found = compare_sweeps(curves_of(scene.draw(rng)), setup=setup).colour
    return scene.judged(found.verdict, found.cause, [o.filter for o in found.odd_filters])


def colour_table(count: int) -> None:
    print("\n| telescope | right | cannot tell | wrong | verdicts |")
    print("|---|---|---|---|---|")
    for name, scene in COLOUR_NIGHTS.items():
        counts = Counter(judge(scene, np.random.default_rng([7, i])) for i in range(count))
        words = Counter(word for word, _ in counts.elements())
        print(
            f"| {name} | {words['right']} | {words['cannot tell']} | {words['wrong']} "
            f"| {'; '.join(f'{n} {text}' for (_, text), n in counts.most_common(4))} |",
            flush=True,
        )


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--nights", type=int, default=2000, help="nights a case")
    nights = parser.parse_args().nights
    start = time.process_time()
    coverage_table(nights)
    colour_table(min(500, nights))
    print(f"\n{nights} nights per case, {time.process_time() - start:.0f} s of CPU time")
