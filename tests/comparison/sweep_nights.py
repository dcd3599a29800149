"""Nights at the level of sweeps with known truth: best focus drawn directly, no pixels."""

from dataclasses import dataclass

import numpy as np

from starsize.comparison import Comparison, MeasuredSet
from starsize.curves import CurveFit, CurveSet, focus_curve
from starsize.estimate import Estimate
from starsize.reports.document import plain
from starsize.reports.stored import set_of_document
from starsize.setup import Focuser, Setup, Telescope
from starsize.simulate.sweep_night import SEVEN_OFFSETS, SweepNight

#: An invented refractor of 700 mm at f/7 with steps of 4 um; its filters differ by what a person
#: would expect of a set whose OIII is thicker.
REFRACTOR = Setup(
    telescope=Telescope(focal_length_mm=700.0, aperture_mm=100.0),
    focuser=Focuser(um_per_step=4.0),
)
OFFSETS = dict(SEVEN_OFFSETS)
THREE_L = ("L", "R", "G", "L", "B", "Ha", "SII", "OIII", "L")
ONCE = ("L", "R", "G", "B", "Ha", "SII", "OIII")


@dataclass(frozen=True, kw_only=True)
class NightOfSweeps(SweepNight):
    """A drawn night as the fits and the set of curves that the comparison takes."""

    def fits(self, rng) -> list[CurveFit]:
        """One answered fit for each sweep, with errors drawn afresh."""
        return fits_of(self.draw(rng))

    def curves(self, rng) -> CurveSet:
        return curve_set(self.fits(rng))


def fits_of(draws) -> list[CurveFit]:
    """One answered fit for each drawn sweep."""
    return [
        answered_fit(
            drawn.best_steps,
            drawn.sigma_steps,
            id=drawn.id,
            filter=drawn.filter,
            temperature_degC=drawn.temperature_degC,
            time_mjd=drawn.time_mjd,
            approach=drawn.approach,
        )
        for drawn in draws
    ]


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


def measured_set(comparison: Comparison, *, name: str) -> MeasuredSet:
    """The offsets of a comparison, as they are read again from the folder of a run."""
    document = {
        "offsets": comparison.rows,
        "offset_covariance": {
            "filters": comparison.filters,
            "matrix_steps2": comparison.covariance_steps2,
            "half95_steps": comparison.half95_steps,
        },
        "focuser": comparison.focuser,
        "setup": {"focuser": {"outward": comparison.outward}},
    }
    return set_of_document(plain(document), name=name)
