"""Plain curves, which know nothing of stars: hyperbola and V, a fitter for anyone's points."""

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares

from ..estimate import NOT_KNOWN, Estimate, Finding
from ..optics import wing_slope_px_per_um
from .curve import FocusCurve
from .fitted import CurveFit

USUAL_JITTER = 0.08
"""Frame-to-frame scatter of the seeing taken before the data have spoken (common practice)."""
MOST_PAIRS = 120  # curves tried for each place of best focus
FAR = 5.0  # a frame so many times the typical miss off is left out
WING = 1.2  # defocus in floors from which a point counts as lying on a wing
DIFFRACTION = 0.047
"""The straight asymptote lies this share of the wings' slope above them, for diffraction: 2.7 % at
four waves of defocus for a clear pupil, 4.7 % for one obstructed by 0.35
(tests/curves/test_plain.py)."""


def hyperbola(
    position_steps: np.ndarray, best_steps: float, floor_px: float, *, slope_px_per_step: float
) -> np.ndarray:
    """Half-flux radius sqrt(floor^2 + (slope (position - best))^2), pixels, shape as given.

    Exact for blurs whose squared radii add (Gaussians); 2 to 6 % too large near one to two floors
    of defocus for a disc blurred by seeing.

    Examples
    --------
    >>> hyperbola(np.array([970.0, 1000.0]), 1000.0, 4.0, slope_px_per_step=0.1)
    array([5., 4.])
    """
    # hypot keeps the model non-negative for every trial slope.
    defocus = slope_px_per_step * (np.asarray(position_steps, float) - best_steps)
    return np.hypot(floor_px, defocus)


def v_curve(
    position_steps: np.ndarray, best_steps: float, *, slope_px_per_step: float
) -> np.ndarray:
    """Two straight wings that meet at zero: slope |position - best|, pixels. Far from focus only.

    Examples
    --------
    >>> v_curve(np.array([900.0, 1100.0]), 1000.0, slope_px_per_step=0.1)
    array([10., 10.])
    """
    return slope_px_per_step * np.abs(np.asarray(position_steps, float) - best_steps)


class Guess(NamedTuple):
    """Best focus in steps, floor in pixels, wing slope in pixels per step, misfit of the frames."""

    best_steps: float
    floor_px: float
    slope_px_per_step: float
    misfit: float


def guess_hyperbola(position_steps: np.ndarray, radius_px: np.ndarray) -> Guess:
    """Starting values of a hyperbola that frames far off, be they many, cannot lead astray.

    y^2 = floor^2 + (slope (x - best))^2 goes through any two frames for every place of best focus
    on a fine grid. Where of all these most others lie near, is improved by least squares in which
    large misses count little. ValueError if there are fewer than three different positions.

    Examples
    --------
    >>> position = np.arange(900.0, 1101.0, 40.0)
    >>> guess = guess_hyperbola(position, np.hypot(2.0, 0.05 * (position - 1010)))
    >>> round(guess.best_steps), round(guess.floor_px, 1), round(guess.slope_px_per_step, 3)
    (1010, 2.0, 0.05)
    """
    x, y = np.asarray(position_steps, float), np.asarray(radius_px, float)
    if np.unique(x).size < 3:
        msg = "'position_steps' must hold at least three different positions"
        raise ValueError(msg)
    span, square, least = float(np.ptp(x)), y**2, 0.01 * float(np.median(y)) ** 2
    place = x.min() + span * np.linspace(-0.25, 1.25, 91)
    away = (x - place[:, None]) ** 2 / span**2

    def judged(floor: np.ndarray, rise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Cost of curves at each place, and the weights of their frames."""
        shape = len(place), *(1,) * (floor.ndim - 1), x.size
        model = floor[..., None] + rise[..., None] * away.reshape(shape)
        # y scatters by 3 % in the wings; the seeing scatters the floor by some more.
        spread = 0.03 + USUAL_JITTER * floor[..., None] / model
        cost = np.log1p((np.log(square / model) / spread) ** 2 / 16) + np.log(spread)
        return cost.sum(-1), 1 / ((spread * model) ** 2 + (square - model) ** 2 / 16)

    first, second = np.triu_indices(x.size, 1)
    # Of many frames evenly chosen pairs.
    some = slice(None, None, 1 + first.size // MOST_PAIRS)
    first, second = first[some], second[some]
    apart = away[:, second] - away[:, first]
    rise = (square[second] - square[first]) / np.where(apart == 0, np.inf, apart)
    rise = np.maximum(rise, 1e-3 * least)
    floor = np.maximum(square[first] - rise * away[:, first], least)
    best = np.argmin(judged(floor, rise)[0], axis=1)[:, None]
    floor, rise = (np.take_along_axis(v, best, 1)[:, 0] for v in (floor, rise))
    for _ in range(5):
        weight = judged(floor, rise)[1]
        s0, s1, s2 = (np.sum(weight * away**k, axis=1) for k in range(3))
        t0, t1 = (np.sum(weight * away**k * square, axis=1) for k in range(2))
        determinant = np.maximum(s0 * s2 - s1**2, 1e-12 * s0 * s2)
        rise = np.maximum((s0 * t1 - s1 * t0) / determinant, 1e-3 * least)
        floor = np.maximum((t0 - rise * s1) / s0, least)
    cost = judged(floor, rise)[0]
    k = int(np.argmin(cost))
    return Guess(*map(float, (place[k], np.sqrt(floor[k]), np.sqrt(rise[k]) / span, cost[k])))


class LeastSquares(NamedTuple):
    """Parameters, their standard deviations and covariance, residual sum of squares, freedom.

    ``rss`` is in units of sigma squared where sigmas were given (chi-square).
    """

    value: np.ndarray
    sigma: np.ndarray
    covariance: np.ndarray
    rss: float
    dof: int


def fit_hyperbola(
    position_steps: np.ndarray,
    radius_px: np.ndarray,
    *,
    radius_sigma_px: np.ndarray | float | None = None,
    guess: Guess | None = None,
) -> LeastSquares:
    """Fit the plain hyperbola by least squares: best focus, floor, wing slope, in that order.

    For people who want the textbook fit. `fit_curve` is the one to trust: it knows that seeing
    moves the bottom of the curve more than the wings. Sigmas that are given are taken at their
    word; without, all points count alike and the scatter about the fit gives the scale. ValueError
    if there are too few points for that, or they do not tell all of the parameters.

    Examples
    --------
    >>> position = np.arange(900.0, 1101.0, 40.0)
    >>> fit = fit_hyperbola(position, np.hypot(2.0, 0.05 * (position - 1010)))
    >>> fit.value.round(6)
    array([1.01e+03, 2.00e+00, 5.00e-02])
    """
    position, radius = np.asarray(position_steps, float), np.asarray(radius_px, float)
    guess, dof = guess or guess_hyperbola(position, radius), radius.size - 3
    if dof < (1 if radius_sigma_px is None else 0):
        msg = f"3 parameters need more than the {radius.size} points given"
        raise ValueError(msg)
    noise = np.broadcast_to(
        np.asarray(1.0 if radius_sigma_px is None else radius_sigma_px), radius.shape
    )
    # Count from the guess, in units of it: all parameters are near 1 or 0 then.
    unit = np.array([np.ptp(position), guess.floor_px, guess.slope_px_per_step])
    zero = np.array([guess.best_steps, 0.0, 0.0])

    def misses(scaled: np.ndarray) -> np.ndarray:
        best, floor, slope = zero + unit * scaled
        return (hyperbola(position, best, floor, slope_px_per_step=slope) - radius) / noise

    def slopes(scaled: np.ndarray) -> np.ndarray:
        best, floor, slope = zero + unit * scaled
        away = position - best
        columns = np.array([-(slope**2) * away, 0 * away + floor, slope * away**2])
        return (columns / np.hypot(floor, slope * away) / noise).T * unit

    found = least_squares(
        misses, [0.0, 1.0, 1.0], jac=slopes, x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15
    )
    jacobian = np.asarray(found.jac)
    if np.linalg.matrix_rank(jacobian) < unit.size:
        msg = "the points do not tell all of the parameters"
        raise ValueError(msg)
    # Through the inverse of the slopes: half of the digits would be lost in the normal matrix.
    half, rss = unit[:, None] * np.linalg.pinv(jacobian), 2 * float(found.cost)
    covariance = half @ half.T * (rss / dof if radius_sigma_px is None else 1.0)
    value = zero + unit * found.x
    return LeastSquares(value, np.sqrt(np.diag(covariance)), covariance, rss, dof)


def fit_plain(curve: FocusCurve) -> CurveFit:
    """Least squares on the frames that are not far off; the scatter about the curve sets sigma."""
    x, y = curve.position_steps, curve.radius_px
    good = curve.usable
    guess = guess_hyperbola(x[good], y[good])
    noise = np.hypot(np.nan_to_num(curve.radius_sigma_px), USUAL_JITTER * guess.floor_px**2 / y)
    best, floor, slope, _ = guess
    miss = (y - hyperbola(x, best, floor, slope_px_per_step=slope)) / noise
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
    vertex = Estimate(best, sigma)
    return replace(
        bare,
        verdict="good", answered=True, reason=Finding("vertex", best=vertex), best_steps=best,
        best_sigma_steps=sigma, dof=float(fit.dof),
        interval68_steps=(best - sigma, best + sigma),
        interval95_steps=(best - 2 * sigma, best + 2 * sigma),
        floor_px=Estimate(abs(floor), scale * float(fit.sigma[1])),
        slope_px_per_step=Estimate(abs(slope), scale * float(fit.sigma[2])),
        chi2_reduced=scale**2, wing_centre_steps=vertex, hyperbola_steps=vertex,
        shape=(best, abs(floor), abs(slope)),
    )  # fmt: skip


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


def micrometres_per_step(
    slope_px_per_step: Estimate, *, focal_ratio: float, pixel_um: float, obstruction: float = 0.0
) -> Estimate:
    """Focuser travel per step in micrometres, with its uncertainty.

    The wing slope in pixels per step over that in pixels per micrometre, which is geometry:
    sqrt(1 + e^2) / (2 sqrt 2 N p) [1]_. The uncertainty holds 4.7 % for diffraction.

    Parameters
    ----------
    slope_px_per_step : Estimate
        Slope of the straight wings.
    focal_ratio, pixel_um : float
        Of the telescope and the camera, as they work together.
    obstruction : float
        Diameter of the central obstruction over that of the aperture.

    Returns
    -------
    Estimate
        Micrometres per step; not known where the slope is not.

    Raises
    ------
    ValueError
        If focal ratio or pixel are not positive.

    References
    ----------
    .. [1] W. J. Smith, Modern Optical Engineering: the blur of a defocused image is the shift over
       the focal ratio.

    Examples
    --------
    >>> size = micrometres_per_step(Estimate(0.05, 0.0), focal_ratio=5.0, pixel_um=3.76)
    >>> round(size.value, 3)
    2.659
    """
    if not (focal_ratio > 0 and pixel_um > 0):
        msg = f"'focal_ratio' and 'pixel_um' must be positive, got {focal_ratio}, {pixel_um}"
        raise ValueError(msg)
    if not slope_px_per_step.is_known:
        return NOT_KNOWN
    per_um = wing_slope_px_per_um(focal_ratio, pixel_um, obstruction)
    value = slope_px_per_step.value / per_um
    return Estimate(value, value * math.hypot(slope_px_per_step.relative, DIFFRACTION))
