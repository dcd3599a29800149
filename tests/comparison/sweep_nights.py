"""Nights at the level of sweeps with known truth: best focus drawn directly, no pixels."""

from dataclasses import dataclass, field

import numpy as np

from starsize.curves import CurveFit, CurveSet, focus_curve
from starsize.estimate import Estimate
from starsize.setup import Focuser, Setup, Telescope

#: An invented refractor of 700 mm at f/7 with steps of 4 um; its filters differ by what a person
#: would expect of a set whose OIII is thicker.
REFRACTOR = Setup(
    telescope=Telescope(focal_length_mm=700.0, aperture_mm=100.0),
    focuser=Focuser(um_per_step=4.0),
)
OFFSETS = {"L": 0.0, "R": 3.0, "G": -2.0, "B": 6.0, "Ha": 4.0, "SII": 5.0, "OIII": 80.0}
THREE_L = ("L", "R", "G", "L", "B", "Ha", "SII", "OIII", "L")
ONCE = ("L", "R", "G", "B", "Ha", "SII", "OIII")


@dataclass(frozen=True, kw_only=True)
class NightOfSweeps:
    """The order of the sweeps and what happens to the telescope meanwhile.

    ``fit_sigma`` is the curves' own uncertainty, ``scatter`` the run-to-run scatter on top;
    ``steps_per_degC`` times a temperature that falls evenly from ``warm`` to ``cold``.
    """

    order: tuple[str, ...] = THREE_L
    offsets: dict = field(default_factory=lambda: dict(OFFSETS))
    fit_sigma: float = 1.0
    scatter: float = 1.0
    steps_per_degC: float = 0.0
    warm: float = 12.0
    cold: float = 12.0
    approach: tuple[str, ...] | str = "outward"
    backlash: float = 0.0
    thermometer: bool = True
    clock: bool = True
    first_mjd: float = 60000.8

    def fits(self, rng) -> list[CurveFit]:
        """One answered fit for each sweep, with errors drawn afresh."""
        n = len(self.order)
        ways = (self.approach,) * n if isinstance(self.approach, str) else self.approach
        warmth = np.linspace(self.warm, self.cold, n)
        play = {"outward": self.backlash / 2, "inward": -self.backlash / 2}
        seen: dict[str, int] = {}
        made = []
        for i, name in enumerate(self.order):
            seen[name] = seen.get(name, 0) + 1
            best = 10_000 + self.offsets[name] + self.steps_per_degC * (warmth[i] - self.warm)
            best += play.get(ways[i], 0.0)
            best += rng.normal(0, np.hypot(self.fit_sigma, self.scatter))
            made.append(
                answered_fit(
                    best,
                    self.fit_sigma,
                    id=f"{name}-{seen[name]}",
                    filter=name,
                    temperature_degC=warmth[i] if self.thermometer else np.nan,
                    time_mjd=self.first_mjd + i / 96 if self.clock else np.nan,
                    approach=ways[i],
                )
            )
        return made

    def curves(self, rng) -> CurveSet:
        return curve_set(self.fits(rng))


def answered_fit(best, sigma, *, floor=2.0, slope=0.05, dof=np.inf, **circumstances) -> CurveFit:
    """A fit as the curve layer would hand it on, nine frames spread about best focus."""
    position = best + 30.0 * np.arange(-4, 5)
    curve = focus_curve(position, np.hypot(floor, slope * (position - best)), 0.03, **circumstances)
    return CurveFit(
        curve=curve,
        verdict="good",
        answered=True,
        reason="",
        used=np.ones(9, bool),
        frame_reasons=(None,) * 9,
        best_steps=best,
        best_sigma_steps=sigma,
        dof=dof,
        floor_px=Estimate(floor, 0.02),
        slope_px_per_step=Estimate(slope, 0.001),
    )


def refused_fit(name, reason="the smallest radius lies outside the sweep: continue inward"):
    curve = focus_curve(np.arange(5.0), np.arange(5.0) + 2, 0.03, id=f"{name}-1", filter=name)
    return CurveFit(
        curve=curve,
        verdict="not_bracketed",
        answered=False,
        reason=reason,
        used=np.ones(5, bool),
        frame_reasons=(None,) * 5,
    )


def curve_set(fits, covariance=None) -> CurveSet:
    """A set of fits; independent ones where no covariance is given."""
    if covariance is None:
        covariance = np.diag([f.best_sigma_steps**2 for f in fits if f.answered])
    return CurveSet(fits=tuple(fits), covariance_steps2=covariance)
