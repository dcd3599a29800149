"""Nights whose focuser slips, has play or scatters: what is said against what was drawn."""

from dataclasses import dataclass, replace

import numpy as np
from sweep_nights import OFFSETS, REFRACTOR, NightOfSweeps, curve_set

from starsize import compare_sweeps
from starsize.estimate import Estimate

TEN = ("L", "R", "G", "B") * 2 + ("L", "R")
COOLING = {"steps_per_degC": -6.0, "warm": 12.0, "cold": 8.0}


@dataclass(frozen=True)
class SlipTrial:
    """Was the slip seen, was it put between the right sweeps; errors and sigmas of the offsets."""

    seen: bool
    right: bool
    error_steps: tuple[float, ...]
    sigma_steps: tuple[float, ...]
    half997_steps: tuple[float, ...]


def slip_trial(rng, *, slip_steps=40.0, order=TEN, fit_sigma=0.5, scatter=0.5) -> SlipTrial:
    """One night of ten sweeps with a slip between two of them drawn by chance, or none for 0."""
    night = NightOfSweeps(order=order, fit_sigma=fit_sigma, scatter=scatter, **COOLING)
    fits, at = night.fits(rng), int(rng.integers(1, len(order)))
    fits = [
        replace(f, best_steps=f.best_steps + slip_steps) if i >= at else f
        for i, f in enumerate(fits)
    ]
    found = compare_sweeps(curve_set(fits), setup=REFRACTOR)
    slips = found.focuser.slips or ()
    where = [(s.after_sweep, s.before_sweep) for s in slips]
    rows = [r for r in found.rows if r.filter != "L"]
    return SlipTrial(
        seen=bool(slips),
        right=where == [(fits[at - 1].curve.id, fits[at].curve.id)],
        error_steps=tuple(abs(r.offset_steps - OFFSETS[r.filter]) for r in rows),
        sigma_steps=tuple(r.offset_sigma_steps for r in rows),
        half997_steps=tuple(r.offset_half997_steps for r in rows),
    )


def flat_start_night(rng, play_steps, *, sweeps=3, sigma=1.5):
    """A night whose sweeps began while the play was being taken up, as the curves read it."""
    fits = NightOfSweeps(order=("L", "R", "G")[:sweeps]).fits(rng)
    if play_steps:
        shared = Estimate(play_steps + rng.normal(0, sigma), sigma)
        fits = [replace(f, play_steps=shared) for f in fits]
    return compare_sweeps(curve_set(fits), setup=REFRACTOR).focuser


def repeatability_covers(rng, *, scatter=3.0, order=("L", "R", "G", "B") * 3) -> tuple[bool, float]:
    """Does the 68 % interval of the scatter hold the truth; its middle."""
    night = NightOfSweeps(order=order, scatter=scatter, fit_sigma=0.5)
    found = compare_sweeps(night.curves(rng), setup=REFRACTOR).focuser
    low, high = found.repeatability68_steps
    return low <= scatter <= high, found.repeatability_steps.value


def nights_together(rng, *, nights=3, order=("L", "R", "G", "B") * 2 + ("L",), scatter=1.0):
    """Errors and sigmas of the offsets of some nights together, and the sigmas of each alone.

    The camera was moved between the nights, so that each has its own zero.
    """
    every, alone = [], []
    for k in range(nights):
        night = NightOfSweeps(order=order, scatter=scatter, first_mjd=60000.8 + k)
        zero = rng.normal(0, 100)
        fits = [
            replace(
                f, best_steps=f.best_steps + zero, curve=replace(f.curve, id=f"n{k}:{f.curve.id}")
            )
            for f in night.fits(rng)
        ]
        every += fits
        alone.append(compare_sweeps(curve_set(fits), setup=REFRACTOR))
    rows = compare_sweeps(curve_set(every), setup=REFRACTOR).rows[1:]
    best = [min(c.rows[i + 1].offset_sigma_steps for c in alone) for i in range(len(rows))]
    return [
        (r.offset_steps - OFFSETS[r.filter], r.offset_sigma_steps, one)
        for r, one in zip(rows, best, strict=True)
    ]


def temperature_pull(rng, *, order=("L", "R", "G", "B") * 3) -> tuple[float, float]:
    """Error of the coefficient in its own sigmas, and as a share of -6 steps per degC."""
    night = NightOfSweeps(order=order, scatter=0.5, fit_sigma=0.5, **COOLING)
    found = compare_sweeps(night.curves(rng), setup=REFRACTOR).temperature.steps_per_degC
    error = found.value + 6.0
    return float(error / found.sigma), float(np.abs(error) / 6.0)
