"""Opinions that know nothing of stars: the hyperbola of each sweep, where its wings meet."""

from dataclasses import replace

import numpy as np

from ..estimate import NOT_KNOWN, Estimate, Finding
from .curve import FocusCurve
from .fitted import CurveFit
from .guess import USUAL_JITTER, guess_hyperbola
from .least_squares import fit_hyperbola

FAR = 5.0
"""A frame so many times the typical miss off is left out."""
WING = 1.2
"""Defocus in floors from which a point counts as lying on a wing."""


def fit_plain(curve: FocusCurve) -> CurveFit:
    """Least squares on the frames that are not far off; the scatter about the curve sets sigma."""
    x, y = curve.position_steps, curve.radius_px
    good = curve.usable
    guess = guess_hyperbola(x[good], y[good])
    noise = np.hypot(np.nan_to_num(curve.radius_sigma_px), USUAL_JITTER * guess.floor_px**2 / y)
    miss = (y - np.hypot(guess.floor_px, guess.slope_px_per_step * (x - guess.best_steps))) / noise
    used = good & (np.abs(miss) < FAR * max(float(np.median(np.abs(miss[good]))), 1.0))
    reasons = tuple(None if ok else Finding("off_curve") for ok in used)
    bare = CurveFit(
        curve=curve, verdict="not_repeatable", answered=False, used=used, frame_reasons=reasons,
        reason=Finding("no_hyperbola"),
    )  # fmt: skip
    if used.sum() < 5:
        return bare
    try:
        fit = fit_hyperbola(x[used], y[used], radius_sigma_px=noise[used], guess=guess)
    except (ValueError, np.linalg.LinAlgError):
        return bare
    best, floor, slope = map(float, fit.value)
    scale = float(np.sqrt(max(fit.rss / fit.dof, 1e-6)))
    if not (x[used].min() < best < x[used].max()) or not np.isfinite(fit.sigma).all():
        return replace(bare, verdict="not_bracketed", reason=Finding("vertex_outside"))
    sigma = scale * float(fit.sigma[0])
    return replace(
        bare,
        verdict="good",
        answered=True,
        reason=Finding("vertex", best=Estimate(best, sigma)),
        best_steps=best,
        best_sigma_steps=sigma,
        dof=float(fit.dof),
        interval68_steps=(best - sigma, best + sigma),
        interval95_steps=(best - 2 * sigma, best + 2 * sigma),
        floor_px=Estimate(abs(floor), scale * float(fit.sigma[1])),
        slope_px_per_step=Estimate(abs(slope), scale * float(fit.sigma[2])),
        chi2_reduced=scale**2,
        wing_centre_steps=Estimate(best, sigma),
        hyperbola_steps=Estimate(best, sigma),
        shape=(best, abs(floor), abs(slope)),
    )


def wings_meet(fit: CurveFit) -> Estimate:
    """Crossing of a straight line through each wing, steps; not known with fewer than two points.

    Only which side of best focus a frame lies on, and whether it is far, is taken from the fit.
    """
    position, radius_px, star = (
        column[fit.used]
        for column in (fit.curve.position_steps, fit.curve.radius_px, fit.curve.radius_sigma_px)
    )
    away = position - fit.best_steps
    floor_steps = fit.floor_px.value / fit.slope_px_per_step.value
    seeing = fit.jitter * fit.floor_px.value**2 / radius_px
    sigma_px = np.maximum(np.hypot(np.nan_to_num(star), seeing), 1e-4 * radius_px)
    lines = []
    for side in (-1, 1):
        on = side * away > WING * floor_steps
        if np.unique(away[on]).size < 2:
            return NOT_KNOWN
        lines.append(np.polyfit(away[on], radius_px[on], 1, w=1 / sigma_px[on], cov="unscaled"))
    (left, left_cov), (right, right_cov) = lines
    steeper = right[0] - left[0]
    if steeper <= 0:
        return NOT_KNOWN
    cross = (left[1] - right[1]) / steeper
    gradient = np.array([cross, 1.0]) / steeper
    variance = gradient @ (left_cov + right_cov) @ gradient
    return Estimate(float(fit.best_steps + cross), float(np.sqrt(variance)))
