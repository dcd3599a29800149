"""Fit focus curves: one alone, or all sweeps of a telescope together."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Literal, NamedTuple

import numpy as np

from ..estimate import NOT_KNOWN, notice
from ..filters import Band
from ..optics.star import Known
from . import verdicts
from .curve import FocusCurve
from .fitted import CurveFit, CurveSet, Ending
from .night import Q, build_night
from .plain import fit_plain
from .play import Start, explain_with_play
from .posterior import Posterior, radii_at
from .verdicts import judge, order_conflict, refuse, refuse_before_fitting, summarise

Model = Literal["auto", "star", "hyperbola"]
MISFIT = 0.4
"""A sweep whose frames look wrecked for more than this share does not belong to the others."""


def fit_curve(
    curve: FocusCurve,
    *,
    obstruction: float = 0.0,
    model: Model = "auto",
    telescope: Known | None = None,
) -> CurveFit:
    """Best focus of one sweep with its uncertainty, or the reason why there is none.

    Parameters
    ----------
    curve : FocusCurve
    obstruction : float
        Diameter of the central obstruction over that of the aperture, 0 to below 1.
    model : {"auto", "star", "hyperbola"}
        "hyperbola" is the plain curve; "auto" and "star" are the physical one.
    telescope : Known, optional
        Focal ratio, pixel and step size where they are stated.

    Returns
    -------
    CurveFit
        ``answered`` is False, with a ``reason``, where the sweep cannot tell.

    Raises
    ------
    ValueError
        If ``obstruction`` or ``model`` is not one of the allowed.

    References
    ----------
    .. [1] M. Born and E. Wolf, Principles of Optics, 7th edition, sec. 8.8: the defocused pupil.
    .. [2] D. L. Fried, J. Opt. Soc. Am. 56 (1966) 1372: the long-exposure transfer of the air.

    Examples
    --------
    >>> from starsize.curves import focus_curve
    >>> position = np.arange(900.0, 1101.0, 25.0)
    >>> radius = np.hypot(2.0, 0.05 * (position - 1004))
    >>> fit = fit_curve(focus_curve(position, radius, 0.01))
    >>> fit.verdict, round(fit.best_steps)
    ('good', 1004)
    """
    fits = fit_curves([curve], obstruction=obstruction, model=model, telescope=telescope)
    return fits.fits[0]


def fit_curves(
    curves: Sequence[FocusCurve],
    *,
    obstruction: float = 0.0,
    model: Model = "auto",
    telescope: Known | None = None,
    bands: Mapping[str, Band] | None = None,
    near: CurveSet | None = None,
) -> CurveSet:
    """Fit all sweeps of one telescope together; `starsize.fit_curves` calls it with a setup.

    ``telescope`` and ``bands`` hold what is stated of focal ratio, pixel and step size, and of
    passbands by filter name; ``obstruction`` counts where no telescope is given; ``near`` is a fit
    of the same sweeps at nearly the same positions, to set out from. The model is written down in
    `curves.statistics`. Accuracy: scripts/results/precision.md (smaller twin:
    tests/curves/test_precision.py).
    """
    if model not in ("auto", "star", "hyperbola"):
        msg = f"'model' must be 'auto', 'star' or 'hyperbola', got {model!r}"
        raise ValueError(msg)
    end = near.ending if near else None
    known = _Knowledge(telescope or Known(obstruction=obstruction), bands or {}, end)
    if not 0 <= known.telescope.obstruction < 1:
        msg = f"'obstruction' must lie in [0, 1), got {known.telescope.obstruction}"
        raise ValueError(msg)
    full = sum(refuse_before_fitting(curve) is None for curve in curves)
    early = [refuse_before_fitting(curve, others=full) for curve in curves]
    chosen = [curve for curve, refused in zip(curves, early, strict=True) if refused is None]
    if model == "hyperbola" or not chosen:
        found = _together(list(map(fit_plain, chosen)), np.eye(len(chosen)))
    else:
        found = _joint(chosen, known)
    queue = iter(found.fits)
    return replace(found, fits=tuple(refused or next(queue) for refused in early))


class _Knowledge(NamedTuple):
    telescope: Known
    bands: Mapping[str, Band]
    near: Ending | None


def _together(fits: Sequence[CurveFit], correlation: np.ndarray) -> CurveSet:
    """Fits with the covariance of those that are answered."""
    keep = np.array([fit.answered for fit in fits], bool)
    sigma = np.array([fit.best_sigma_steps for fit in fits])[keep]
    covariance = correlation[np.ix_(keep, keep)] * np.outer(sigma, sigma)
    return CurveSet(fits=tuple(fits), covariance_steps2=covariance)


def _joint(curves: Sequence[FocusCurve], known: _Knowledge) -> CurveSet:
    """Fit sweeps together; one that does not belong to the others is fitted alone."""
    found, starts = _fit(curves, known)
    fits, notices, every = _judged(curves, found, starts), [], np.arange(len(curves))
    night, doubtful = found.fit.night, found.sound < 0.5
    lost = np.array([np.mean(doubtful[night.frames(s)]) for s in range(every.size)])
    rest = every[lost <= MISFIT]
    if 0 < rest.size < every.size:
        shared, few = verdicts.shared_slope(found).value, [curves[s] for s in rest]
        found, starts = _fit(few, known)
        again = dict(zip(rest, _judged(few, found, starts), strict=True))
        fits = [again.get(s) or _alone(curve, known) for s, curve in enumerate(curves)]
        notices = [
            notice(
                "slope_disagrees", sweep=f.curve.id, filter=f.curve.filter,
                slope=f.slope_px_per_step.value, shared=shared,
            )
            for s, f in enumerate(fits) if s not in again and f.answered
        ]  # fmt: skip
    else:
        rest = every
    together = np.eye(len(curves))
    together[np.ix_(rest, rest)] = verdicts.correlation(found)
    for s, curve in enumerate(curves):
        conflict = order_conflict(curve, fits[s], refit=lambda c: _alone(c, known))
        fits[s] = refuse(fits[s], "order_conflict", conflict) if conflict else fits[s]
    return replace(
        _together(fits, together),
        slope_px_per_step=verdicts.shared_slope(found) if len(curves) > 1 else NOT_KNOWN,
        notices=tuple(notices),
        placement_steps=verdicts.placement(found),
        lens=verdicts.lens_colour(found),
        ending=None if found.fit.night.turned.any() else found.ending,
    )


def _fit(curves: Sequence[FocusCurve], known: _Knowledge) -> tuple[Posterior, list[Start]]:
    night = build_night(curves, known=known.telescope, bands=known.bands)
    if known.near and known.near.values.size == night.start.size:
        night = replace(night, near=known.near)
    return explain_with_play(night)


def _judged(
    curves: Sequence[FocusCurve], found: Posterior, starts: Sequence[Start]
) -> list[CurveFit]:
    """The answers of all sweeps; those that turned state the play that they share."""
    night, frames = found.fit.night, ~found.fit.night.inner
    sweep, places = night.sweep[frames], night.places(found.fit.values)[frames]
    added = radii_at(found.fit, places, sweep) / found.fit.radius_px[frames]
    # 2 lambda N^2 of defocus, half the width of the zone, makes a disc of radius lambda N.
    slope = float(np.exp(found.weight @ found.values[:, Q.LOG_SLOPE]))
    zones = night.middle_um * night.telescope.diffraction_px_per_um / slope
    fits = []
    for row, curve in enumerate(curves):
        drawn = _completed(curve, added[sweep == row])
        summary = summarise(found, row, curve=drawn)
        fits.append(judge(summary, starts[row], zone_steps=float(zones[row])))
    return fits


def _completed(curve: FocusCurve, added: np.ndarray) -> FocusCurve:
    """The curve with the radii fitted, what their circles missed added: those it is drawn with."""
    if curve.bounded is None:
        return curve
    used, fitted = curve.usable, curve.to_fit()
    radius, sigma = curve.radius_px.copy(), curve.radius_sigma_px.copy()
    radius[used], sigma[used] = fitted.radius_px[used] * added, fitted.sigma_px[used] * added
    return replace(curve, radius_px=radius, radius_sigma_px=sigma)


def _alone(curve: FocusCurve, known: _Knowledge) -> CurveFit:
    refused = refuse_before_fitting(curve)
    return refused or _judged([curve], *_fit([curve], known._replace(near=None)))[0]
