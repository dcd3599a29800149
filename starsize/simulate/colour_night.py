"""Telescopes whose colour is known, at the level of sweeps, and what is to be said of them."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ..filters import BANDS
from .glasses import thin_doublet_shift
from .sweep_night import SweepDraw, SweepNight

UM_PER_STEP: Final = 4.0


def doublet_offsets(
    crown: str, flint: str, names: Sequence[str], *, focal_length_mm: float, share: float = 1.0
) -> dict[str, float]:
    """Offsets in steps of a thin doublet from the first filter, each at its central wavelength."""
    at = np.array([BANDS[name].wavelength_nm for name in names])
    shift = np.asarray(thin_doublet_shift(crown, flint, at, focal_length_mm=focal_length_mm))
    steps = 1e3 * share * shift / UM_PER_STEP
    return dict(zip(names, (steps - steps[0]).tolist(), strict=True))


@dataclass(frozen=True, slots=True, kw_only=True)
class ColourNight:
    """A night behind one lens, and what should be said of its colours.

    Attributes
    ----------
    focal_length_mm, aperture_mm : float
    night : SweepNight
    verdict : str
    cause : str or None
    odd : tuple of str
        The filters to be named, with ``extra_glass_mm`` more glass than the others.
    colour_camera : bool
        Three sweeps whose channels share what the focuser scatters, in place of ``night.order``.
    """

    focal_length_mm: float
    aperture_mm: float
    night: SweepNight
    verdict: str
    cause: str | None = None
    odd: tuple[str, ...] = ()
    extra_glass_mm: float | None = None
    colour_camera: bool = False

    def draw(self, rng: np.random.Generator) -> tuple[SweepDraw, ...]:
        """One draw of the night."""
        return colour_sweeps(self.night, rng) if self.colour_camera else self.night.draw(rng)

    def judged(self, verdict: str, cause: str | None, odd: Sequence[str]) -> tuple[str, str]:
        """``right``, ``cannot tell`` or ``wrong``, and what was said."""
        said = f"{verdict}, {cause}, {', '.join(odd) or 'none odd'}"
        if verdict == "cannot tell" or (verdict == "apart" and cause == "unknown"):
            wrong = verdict == "apart" and self.verdict != "apart"
            return ("wrong" if wrong else "cannot tell"), said
        right = (verdict, cause, tuple(odd)) == (self.verdict, self.cause, self.odd)
        return ("right" if right else "wrong"), said


def colour_sweeps(night: SweepNight, rng: np.random.Generator) -> tuple[SweepDraw, ...]:
    """Three sweeps of a colour camera: the focuser's scatter is common to the channels."""
    made = []
    for sweep in range(3):
        moved = rng.normal(0, night.scatter)
        for name in ("R", "G", "B"):
            best = night.zero_steps + night.offsets[name] + moved
            made.append(
                SweepDraw(
                    id=f"colour-{sweep + 1}-{name}",
                    filter=name,
                    best_steps=float(best + rng.normal(0, night.fit_sigma)),
                    sigma_steps=night.fit_sigma,
                    temperature_degC=10.0,
                    time_mjd=night.first_mjd + sweep / 96,
                    approach="unknown",
                )
            )
    return tuple(made)


_ALL: Final = ("L", "R", "G", "B", "Ha", "SII", "OIII")
#: A third lens leaves half of the colour of the two glasses.
_GOOD: Final = doublet_offsets("S-FPL53", "N-ZK7", _ALL, focal_length_mm=500.0, share=0.5)
#: 1 mm of N-BK7 moves focus by 341.9 um at f/5.5: 85.5 steps of 4 um.
_THICK_STEPS: Final = 85.5
_COOLING: Final = SweepNight(fit_sigma=0.5, steps_per_degC=-5.0, warm=11.0, cold=8.0)


def _thick(name: str) -> ColourNight:
    """The good refractor, one filter 1 mm thicker."""
    offsets = {**_GOOD, name: _GOOD[name] + _THICK_STEPS}
    return ColourNight(
        focal_length_mm=500.0,
        aperture_mm=91.0,
        night=replace(_COOLING, offsets=offsets),
        verdict="apart",
        cause="glass",
        odd=(name,),
        extra_glass_mm=1.0,
    )


def _achromat(names: Sequence[str], night: SweepNight, *, colour_camera: bool) -> ColourNight:
    offsets = doublet_offsets("N-BK7", "F2", names, focal_length_mm=600.0)
    return ColourNight(
        focal_length_mm=600.0,
        aperture_mm=100.0,
        night=replace(night, offsets=offsets),
        verdict="apart",
        cause="telescope",
        colour_camera=colour_camera,
    )


COLOUR_NIGHTS: Final[Mapping[str, ColourNight]] = {
    "good refractor, seven filters": ColourNight(
        focal_length_mm=500.0,
        aperture_mm=91.0,
        night=replace(_COOLING, offsets=_GOOD),
        verdict="together",
    ),
    "achromat, colour camera": _achromat("GRB", SweepNight(), colour_camera=True),
    "achromat, seven filters": _achromat(_ALL, _COOLING, colour_camera=False),
    "good refractor, OIII 1 mm thicker": _thick("OIII"),
    "good refractor, R 1 mm thicker": _thick("R"),
}
"""Night by name, every one invented."""
