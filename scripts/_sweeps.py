"""Drawn sweeps as what the next layer takes: radii as curves, best foci as fits."""

from collections.abc import Iterable
from dataclasses import replace
from typing import Any

import numpy as np

from starsize.curves import CurveFit, CurveSet, FocusCurve, focus_curve, inner_radii
from starsize.estimate import NOT_KNOWN, Estimate
from starsize.setup import Focuser, Setup, Telescope
from starsize.simulate.points import SweepPoints
from starsize.simulate.sweep_night import SweepDraw

#: An invented refractor of 700 mm at f/7 with steps of 4 um; the zone of L is 13.5 steps.
REFRACTOR = Setup(
    telescope=Telescope(focal_length_mm=700.0, aperture_mm=100.0),
    focuser=Focuser(um_per_step=4.0),
)


def drawn_curve(points: SweepPoints, **how: Any) -> FocusCurve:
    """The radii of half and of 30 % of all the light; ``how`` goes to `focus_curve`."""
    radius, sigma = points.radius_px, points.sigma_px
    curve = focus_curve(
        points.position_steps, radius[:, 1], sigma[:, 1], filter=points.filter, **how
    )
    return replace(curve, inner=inner_radii(radius[:, 0], radius[:, 1], curve.to_fit()))


def fit_of(drawn: SweepDraw, *, play_steps: Estimate = NOT_KNOWN) -> CurveFit:
    """The fit that a clean sweep of nine frames would give."""
    position = drawn.best_steps + 30.0 * np.arange(-4, 5)
    curve = focus_curve(
        position,
        np.hypot(2.0, 0.05 * (position - drawn.best_steps)),
        0.03,
        id=drawn.id,
        filter=drawn.filter,
        temperature_degC=drawn.temperature_degC,
        time_mjd=drawn.time_mjd,
        approach=drawn.approach,
    )
    return CurveFit(
        curve=curve,
        verdict="good",
        answered=True,
        reason="",
        used=np.ones(9, bool),
        frame_reasons=(None,) * 9,
        best_steps=drawn.best_steps,
        best_sigma_steps=drawn.sigma_steps,
        floor_px=Estimate(2.0, 0.02),
        slope_px_per_step=Estimate(0.05, 0.001),
        play_steps=play_steps,
    )


def curve_set(fits: Iterable[CurveFit]) -> CurveSet:
    """Independent fits as a set."""
    kept = tuple(fits)
    return CurveSet(fits=kept, covariance_steps2=np.diag([f.best_sigma_steps**2 for f in kept]))


def curves_of(draws: Iterable[SweepDraw]) -> CurveSet:
    """The fits of a night."""
    return curve_set(fit_of(drawn) for drawn in draws)
