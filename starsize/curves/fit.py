"""Fit focus curves: one alone, or all sweeps of a telescope together."""

from collections.abc import Sequence

import numpy as np

from ..estimate import NOT_KNOWN, Estimate, Notice
from .catalogue import Model, asymmetric_families, symmetric_families
from .curve import FocusCurve
from .fitted import CurveFit, CurveSet
from .joint import Joint, covariance, fit_batch, make_batch
from .order import order_conflict
from .play import flat_start
from .summary import summarise
from .verdicts import judge, refuse, refuse_before_fitting, takes_part


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
    families = symmetric_families(model, obstruction)
    early = [refuse_before_fitting(curve) for curve in curves]
    chosen = [curve for curve, refused in zip(curves, early, strict=True) if refused is None]
    if not chosen:
        return CurveSet(fits=tuple(f for f in early if f), covariance_steps2=np.zeros((0, 0)))
    standing = [flat_start(curve) for curve in chosen]
    used = [takes_part(curve, still) for curve, still in zip(chosen, standing, strict=True)]
    odd = asymmetric_families(obstruction) if model == "auto" else None
    joint = fit_batch(make_batch(chosen, used), families, odd=odd)
    fitted = []
    for row, curve in enumerate(chosen):
        fit = judge(
            curve,
            summarise(joint, row, obstruction=obstruction),
            standing=standing[row],
            expected_slope_px_per_step=expected_slope_px_per_step,
        )
        conflict = order_conflict(
            curve, fit, refit=lambda c: fit_curve(c, obstruction=obstruction, model=model)
        )
        fitted.append(refuse(fit, "order_conflict", conflict) if conflict else fit)
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
        if fit.answered and not member and fit.model != "asymmetric"
    ]


def _shared_slope(joint: Joint) -> Estimate:
    overall = joint.slope.overall
    if not overall.is_known:
        return NOT_KNOWN
    value = float(np.exp(overall.value))
    return Estimate(value, value * overall.sigma)
