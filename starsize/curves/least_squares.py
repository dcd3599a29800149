"""Plain nonlinear least squares with honest standard deviations, for any model of one variable."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from .guess import Guess, guess_hyperbola
from .shapes import hyperbola

Function = Callable[..., np.ndarray]


@dataclass(frozen=True, slots=True, eq=False)
class LeastSquares:
    """Parameters, their standard deviations and covariance, residual sum of squares, freedom.

    ``rss`` is in units of sigma squared where sigmas were given (chi-square).
    """

    value: np.ndarray
    sigma: np.ndarray
    covariance: np.ndarray
    rss: float
    dof: int


def least_squares_fit(
    function: Function,
    x: np.ndarray,
    y: np.ndarray,
    *,
    start: np.ndarray,
    sigma: np.ndarray | float | None = None,
) -> LeastSquares:
    """Fit ``function(x, *parameters)`` to y.

    Parameters
    ----------
    function : callable
    x, y : (n,) arrays
    start : (p,) array_like
    sigma : (n,) array_like or float, optional
        Known standard deviations of y: they are taken at their word, the covariance is not
        rescaled. Without, all points count alike and the scatter about the fit, rss / (n - p),
        gives the scale.

    Returns
    -------
    LeastSquares

    Raises
    ------
    ValueError
        If there are fewer points than parameters, or as many while the scale must be found, or a
        parameter moves none of them.

    Notes
    -----
    Accuracy: NIST StRD values to 1e-6, standard deviations to 1e-5
    (tests/curves/test_least_squares.py).
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    first = np.asarray(start, float)
    dof = y.size - first.size
    if dof < (1 if sigma is None else 0):
        msg = f"{first.size} parameters need more than the {y.size} points given"
        raise ValueError(msg)
    noise = np.broadcast_to(np.asarray(1.0 if sigma is None else sigma, float), y.shape)
    # Counted in their starting values: derivatives are taken by steps of about a millionth.
    unit = np.where(first == 0, 1.0, np.abs(first))

    def residual(parameters: np.ndarray) -> np.ndarray:
        return (function(x, *(parameters * unit)) - y) / noise

    found = least_squares(
        residual, first / unit, jac="3-point", x_scale="jac", xtol=1e-15, ftol=1e-15, gtol=1e-15,
        max_nfev=20_000,
    )  # fmt: skip
    # Orthogonal factors instead of the normal matrix: half of the digits would be lost there.
    slopes = np.asarray(found.jac)
    scale = np.linalg.norm(slopes, axis=0)
    if not scale.all():
        msg = "the points do not tell all of the parameters"
        raise ValueError(msg)
    _, singular, rows = np.linalg.svd(slopes / scale, full_matrices=False)
    half = rows.T / singular * (unit / scale)[:, None]
    covariance, rss = half @ half.T, 2 * float(found.cost)
    if sigma is None:
        covariance = covariance * (rss / dof)
    return LeastSquares(found.x * unit, np.sqrt(np.diag(covariance)), covariance, rss, dof)


def fit_hyperbola(
    position_steps: np.ndarray,
    radius_px: np.ndarray,
    *,
    radius_sigma_px: np.ndarray | float | None = None,
    guess: Guess | None = None,
) -> LeastSquares:
    """Fit the plain hyperbola by least squares: best focus, floor, wing slope, in that order.

    For people who want the textbook fit. `fit_curve` is the one to trust: it knows that seeing
    moves the bottom of the curve more than the wings.

    Examples
    --------
    >>> position = np.arange(900.0, 1101.0, 40.0)
    >>> fit = fit_hyperbola(position, np.hypot(2.0, 0.05 * (position - 1010)))
    >>> fit.value.round(6)
    array([1.01e+03, 2.00e+00, 5.00e-02])
    """

    def curve(x: np.ndarray, best: float, floor: float, slope: float) -> np.ndarray:
        return hyperbola(x, best, floor, slope_px_per_step=slope)

    position = np.asarray(position_steps, float)
    guess = guess or guess_hyperbola(position, radius_px)
    # Count from one span before the sweep, in spans: no parameter is near zero then.
    span = position.max() - position.min()
    origin = position.min() - span
    start = np.array(
        [(guess.best_steps - origin) / span, guess.floor_px, guess.slope_px_per_step * span]
    )
    fit = least_squares_fit(
        curve, (position - origin) / span, radius_px, start=start, sigma=radius_sigma_px
    )
    scale = np.array([span, 1.0, 1 / span])
    return LeastSquares(
        fit.value * scale + np.array([origin, 0.0, 0.0]),
        fit.sigma * scale,
        fit.covariance * np.outer(scale, scale),
        fit.rss,
        fit.dof,
    )
