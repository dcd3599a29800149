"""Fit focus curves: one alone, or all sweeps of a telescope together."""

from collections.abc import Sequence
from typing import Literal

import numpy as np

from ..estimate import NOT_KNOWN, Estimate, Notice
from .blur_table import LARGEST_OBSTRUCTION, USUAL_BETA
from .curve import FocusCurve
from .family import Family
from .fitted import CurveFit, CurveSet
from .joint import Joint, covariance, fit_batch, make_batch
from .shapes import HYPERBOLA, blurred_disc, blurred_disc_shape, hyperbola
from .summary import summarise
from .verdicts import judge, refuse_before_fitting

Model = Literal["auto", "blurred_disc", "hyperbola"]
DISC_WEIGHT = 0.8
"""Prior weight of the blurred disc against the hyperbola, which is only an approximation."""
DROOP = 0.15
"""Wings fall short of geometry by about this many floors (1 sigma): diffraction and pixels."""


def fit_curve(curve: FocusCurve, *, obstruction: float = 0.0, model: Model = "auto") -> CurveFit:
    """Best focus of one sweep with its uncertainty, or the reason why there is none.

    See `fit_curves`, which this calls with one curve.
    """
    return fit_curves([curve], obstruction=obstruction, model=model).fits[0]


def fit_curves(
    curves: Sequence[FocusCurve],
    *,
    obstruction: float = 0.0,
    model: Model = "auto",
    expected_slope_px_per_step: float | None = None,
) -> CurveSet:
    """Fit all sweeps of one telescope together: common wing slope, similar floors and seeing.

    Parameters
    ----------
    curves : sequence of FocusCurve
    obstruction : float
        Diameter of the central obstruction over that of the aperture, 0 to below 1.
    model : {"auto", "blurred_disc", "hyperbola"}
        "auto" weighs the models by how well they explain the data.
    expected_slope_px_per_step : float, optional
        Wing slope from focal ratio, pixel and step size, where known: used in advice only.

    Returns
    -------
    CurveSet
        One fit per curve, in order, and the joint covariance of the answered ones.

    Raises
    ------
    ValueError
        If ``obstruction`` or ``model`` is not one of the allowed.
    """
    families = _families(model, obstruction)
    early = [refuse_before_fitting(curve) for curve in curves]
    chosen = [curve for curve, refused in zip(curves, early, strict=True) if refused is None]
    if not chosen:
        return CurveSet(fits=tuple(f for f in early if f), covariance_steps2=np.zeros((0, 0)))
    odd = _odd(obstruction) if model == "auto" else None
    joint = fit_batch(make_batch(chosen), families, odd=odd)
    fitted = []
    for row, curve in enumerate(chosen):
        found = summarise(joint, row)
        beta = USUAL_BETA if found.model == "blurred_disc" else 0.0
        fitted.append(
            judge(
                curve,
                found,
                shape=(obstruction, beta),
                expected_slope_px_per_step=expected_slope_px_per_step,
            )
        )
    queue = iter(fitted)
    fits = tuple(refused or next(queue) for refused in early)
    answered = np.array([fit.answered for fit in fitted])
    sigma = np.array([fit.best_sigma_steps if fit.answered else 1.0 for fit in fitted])
    return CurveSet(
        fits=fits,
        covariance_steps2=covariance(joint, sigma)[np.ix_(answered, answered)],
        slope_px_per_step=_shared_slope(joint),
        notices=tuple(_disagreeing(fitted, joint)),
    )


def radius_at(fit: CurveFit, position_steps: np.ndarray) -> np.ndarray:
    """Half-flux radius that a fit predicts at the given positions, pixels; NaN where refused."""
    position = np.asarray(position_steps, float)
    if not fit.answered:
        return np.full(position.shape, np.nan)
    slope = fit.slope_px_per_step.value
    if fit.model == "hyperbola":
        return hyperbola(position, fit.best_steps, fit.floor_px.value, slope_px_per_step=slope)
    return blurred_disc(
        position,
        fit.best_steps,
        fit.floor_px.value,
        slope_px_per_step=slope,
        obstruction=min(fit.shape[0], LARGEST_OBSTRUCTION),
        beta=fit.shape[1],
    )


def _families(model: Model, obstruction: float) -> list[Family]:
    if not 0 <= obstruction < 1:
        msg = f"'obstruction' must lie in [0, 1), got {obstruction}"
        raise ValueError(msg)
    shape = blurred_disc_shape(min(obstruction, LARGEST_OBSTRUCTION))
    disc = Family("blurred_disc", shape, DISC_WEIGHT, droop=DROOP)
    plain = Family("hyperbola", HYPERBOLA, 1 - DISC_WEIGHT)
    choices: dict[str, list[Family]] = {
        "auto": [disc, plain],
        "blurred_disc": [disc],
        "hyperbola": [plain],
    }
    if model not in choices:
        msg = f"'model' must be one of {', '.join(choices)}, got {model!r}"
        raise ValueError(msg)
    return choices[model]


def _odd(obstruction: float) -> tuple[Family, Family]:
    """Asymmetric families: one wing steeper, and a band of colours with foci of their own."""
    shape = blurred_disc_shape(min(obstruction, LARGEST_OBSTRUCTION))
    tilted = Family("asymmetric", shape, 0.3, droop=DROOP, tilt=0.1, dent=0.1)
    band = Family(
        "asymmetric", shape, 0.7, line=3.0, bend=1.5, misfit=0.01, obstruction=obstruction
    )
    return tilted, band


def _disagreeing(fits: Sequence[CurveFit], joint: Joint) -> list[Notice]:
    """Name the sweeps whose slope is not that of the others."""
    if not joint.slope.overall.is_known:
        return []
    shared = float(np.exp(joint.slope.overall.value))
    return [
        Notice(
            "slope_disagrees",
            f"{fit.curve.id} ({fit.curve.filter}): its wings rise by "
            f"{fit.slope_px_per_step.value:.4g} px per step, those of the other sweeps by "
            f"{shared:.4g}; it was fitted alone.",
        )
        for fit, member in zip(fits, joint.slope.member, strict=True)
        if fit.answered and not member
    ]


def _shared_slope(joint: Joint) -> Estimate:
    overall = joint.slope.overall
    if not overall.is_known:
        return NOT_KNOWN
    value = float(np.exp(overall.value))
    return Estimate(value, value * overall.sigma)
