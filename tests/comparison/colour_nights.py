"""Telescopes whose colour is known, at the level of sweeps, and how to judge a verdict."""

from dataclasses import dataclass

import numpy as np
from sweep_nights import THREE_L, NightOfSweeps, answered_fit, curve_set

from starsize import Comparison, compare_sweeps
from starsize.filters import BANDS
from starsize.glasses import thin_doublet_shift
from starsize.setup import Focuser, Setup, Telescope

UM_PER_STEP = 4.0


def doublet_offsets(crown, flint, names, *, focal_length_mm, share=1.0):
    """Offsets from L in steps of a thin doublet, each filter at its central wavelength."""
    at = np.array([BANDS[n].wavelength_nm for n in names])
    shift = thin_doublet_shift(crown, flint, at, focal_length_mm=focal_length_mm) * share
    steps = 1e3 * shift / UM_PER_STEP
    return dict(zip(names, steps - steps[0], strict=True))


def telescope(focal_length_mm, aperture_mm) -> Setup:
    return Setup(
        telescope=Telescope(focal_length_mm=focal_length_mm, aperture_mm=aperture_mm),
        focuser=Focuser(um_per_step=UM_PER_STEP),
    )


@dataclass(frozen=True, kw_only=True)
class Scene:
    """A night, the setup as the person would write it, and what the answer should be."""

    setup: Setup
    night: NightOfSweeps
    verdict: str
    cause: str | None = None
    odd: tuple[str, ...] = ()
    extra_glass_mm: float | None = None
    colour_camera: bool = False

    def compare(self, rng) -> Comparison:
        curves = colour_sweep(self.night, rng) if self.colour_camera else self.night.curves(rng)
        return compare_sweeps(curves, setup=self.setup)


def colour_sweep(night: NightOfSweeps, rng):
    """Three sweeps of a colour camera: the focuser's scatter is common to the channels."""
    fits = []
    for sweep in range(3):
        moved = rng.normal(0, night.scatter)
        fits += [
            answered_fit(
                10_000 + night.offsets[c] + moved + rng.normal(0, night.fit_sigma),
                night.fit_sigma,
                id=f"colour-{sweep + 1}-{c}",
                filter=c,
                temperature_degC=10.0,
                time_mjd=60000.8 + sweep / 96,
            )
            for c in ("R", "G", "B")
        ]
    return curve_set(fits)


_ALL = ("L", "R", "G", "B", "Ha", "SII", "OIII")
#: A third lens leaves half of the colour of the two glasses.
_GOOD = doublet_offsets("S-FPL53", "N-ZK7", _ALL, focal_length_mm=500.0, share=0.5)
#: 1 mm of N-BK7 moves focus by 341.9 um at f/5.5: 85.5 steps of 4 um.
_THICK_STEPS = 85.5
_COOLING = {"fit_sigma": 0.5, "order": THREE_L, "steps_per_degC": -5.0, "warm": 11.0, "cold": 8.0}

SCENES = {
    "good refractor, seven filters": Scene(
        setup=telescope(500.0, 91.0),
        night=NightOfSweeps(offsets=_GOOD, **_COOLING),
        verdict="together",
    ),
    "achromat, colour camera": Scene(
        setup=telescope(600.0, 100.0),
        night=NightOfSweeps(
            offsets=doublet_offsets("N-BK7", "F2", ("G", "R", "B"), focal_length_mm=600.0)
        ),
        verdict="apart",
        cause="telescope",
        colour_camera=True,
    ),
    "achromat, seven filters": Scene(
        setup=telescope(600.0, 100.0),
        night=NightOfSweeps(
            offsets=doublet_offsets("N-BK7", "F2", _ALL, focal_length_mm=600.0), **_COOLING
        ),
        verdict="apart",
        cause="telescope",
    ),
    "good refractor, OIII 1 mm thicker": Scene(
        setup=telescope(500.0, 91.0),
        night=NightOfSweeps(offsets=_GOOD | {"OIII": _GOOD["OIII"] + _THICK_STEPS}, **_COOLING),
        verdict="apart",
        cause="glass",
        odd=("OIII",),
        extra_glass_mm=1.0,
    ),
    "good refractor, R 1 mm thicker": Scene(
        setup=telescope(500.0, 91.0),
        night=NightOfSweeps(offsets=_GOOD | {"R": _GOOD["R"] + _THICK_STEPS}, **_COOLING),
        verdict="apart",
        cause="glass",
        odd=("R",),
        extra_glass_mm=1.0,
    ),
}


def judge(scene: Scene, rng) -> tuple[str, str]:
    """``right``, ``cannot tell`` or ``wrong``, and what was said."""
    found = scene.compare(rng).colour
    odd = tuple(o.filter for o in found.odd_filters)
    said = f"{found.verdict}, {found.cause}, {', '.join(odd) or 'none odd'}"
    if found.verdict == "cannot tell" or (found.verdict == "apart" and found.cause == "unknown"):
        wrong = found.verdict == "apart" and scene.verdict != "apart"
        return ("wrong" if wrong else "cannot tell"), said
    right = (found.verdict, found.cause, odd) == (scene.verdict, scene.cause, scene.odd)
    return ("right" if right else "wrong"), said
