"""Fit focus curves: one alone, or all sweeps of a telescope together."""

from collections.abc import Sequence
from typing import NamedTuple

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

    Parameters
    ----------
    curve : FocusCurve
    obstruction, model
        As in `fit_curves`, which this calls with one curve.

    Returns
    -------
    CurveFit
        ``answered`` is False, with a ``reason``, where the sweep cannot tell.

    Raises
    ------
    ValueError
        If ``obstruction`` or ``model`` is not one of the allowed.

    Examples
    --------
    >>> from starsize.curves import blurred_disc, focus_curve
    >>> position = np.arange(900.0, 1101.0, 25.0)
    >>> radius = blurred_disc(position, 1004.0, 2.0, slope_px_per_step=0.06)
    >>> fit = fit_curve(focus_curve(position, radius, 0.01))
    >>> fit.verdict, round(fit.best_steps)
    ('good', 1004)
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

    Notes
    -----
    Accuracy: error of best focus at most 1.10 times the Cramer-Rao bound from 7 positions up,
    68.3 and 95.4 % intervals cover in 65 to 72 and 93.5 to 97 % (scripts/precision.py;
    tests/curves/test_precision.py).

    Raises
    ------
    ValueError
        If ``obstruction`` or ``model`` is not one of the allowed.
    """
    symmetric_families(model, obstruction)  # a bad call fails also without curves
    full = sum(refuse_before_fitting(curve) is None for curve in curves)
    early = [refuse_before_fitting(curve, others=full) for curve in curves]
    chosen = [curve for curve, refused in zip(curves, early, strict=True) if refused is None]
    if not chosen:
        return CurveSet(fits=tuple(f for f in early if f), covariance_steps2=np.zeros((0, 0)))
    known = Known(obstruction, model, expected_slope_px_per_step)
    joint, fitted = _judged(chosen, known)
    for row, curve in enumerate(chosen):
        conflict = order_conflict(curve, fitted[row], refit=lambda c: _alone(c, known))
        if conflict:
            fitted[row] = refuse(fitted[row], "order_conflict", conflict)
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


class Known(NamedTuple):
    """What the caller knows."""

    obstruction: float
    model: Model
    expected_slope_px_per_step: float | None


def _judged(curves: Sequence[FocusCurve], known: Known) -> tuple[Joint, list[CurveFit]]:
    """Fit and judge curves that have enough frames, without a look at their order in time."""
    families = symmetric_families(known.model, known.obstruction)
    odd = asymmetric_families(known.obstruction) if known.model == "auto" else None
    standing = [flat_start(curve) for curve in curves]
    used = [takes_part(curve, still) for curve, still in zip(curves, standing, strict=True)]
    joint = fit_batch(make_batch(curves, used), families, odd=odd)
    return joint, [
        judge(
            curve,
            summarise(joint, row, obstruction=known.obstruction),
            standing=standing[row],
            expected_slope_px_per_step=known.expected_slope_px_per_step,
        )
        for row, curve in enumerate(curves)
    ]


def _alone(curve: FocusCurve, known: Known) -> CurveFit:
    return refuse_before_fitting(curve) or _judged([curve], known)[1][0]


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
