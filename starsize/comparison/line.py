"""A straight line through points with errors in either or both axes: focus against temperature."""

import math
from dataclasses import dataclass

import numpy as np

_ROUNDS = 200


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """y = intercept + slope (x - about).

    ``covariance`` is that of (intercept, slope). ``chi2`` is NaN where the errors were not given
    but found from the residuals; then ``scatter`` is their standard deviation.
    """

    intercept: float
    slope: float
    covariance: np.ndarray
    about: float
    dof: int
    chi2: float
    scatter: float

    def at(self, x: float) -> tuple[float, float]:
        """Value and standard uncertainty of the line at ``x``."""
        row = np.array([1.0, x - self.about])
        return self.intercept + self.slope * row[1], math.sqrt(row @ self.covariance @ row)


def fit_line(
    x: np.ndarray,
    y: np.ndarray,
    *,
    x_sigma: np.ndarray | float = 0.0,
    y_sigma: np.ndarray | float | None = None,
    about: float = 0.0,
) -> Line:
    """Straight line by least squares, for focus against temperature over many sweeps.

    A noisy thermometer flattens an ordinary line; stating ``x_sigma`` undoes that.

    Parameters
    ----------
    x, y : (n,) array_like
        Such as temperatures in degC and best-focus positions in steps.
    x_sigma : (n,) array_like or float
        Standard uncertainty of each x.
    y_sigma : (n,) array_like or float, optional
        Standard uncertainty of each y, taken at its word. None: all alike, found from the
        residuals; ``x_sigma`` must then be 0.
    about : float
        The x at which the intercept is meant.

    Returns
    -------
    Line

    Raises
    ------
    ValueError
        If there are fewer than three points without a ``y_sigma`` (two with one), or all x are
        the same, or ``x_sigma`` is given without ``y_sigma``.

    Notes
    -----
    York et al. 2004, Am. J. Phys. 72, 367, eq. 13, with uncorrelated errors. Accuracy: published
    digits of York's example, of JCGM 100:2008 H.3 and ISO/TS 28037 (tests/comparison/test_line.py).

    Examples
    --------
    >>> line = fit_line([0, 1, 2, 3], [1, 3, 5, 7], y_sigma=0.1)
    >>> round(line.intercept, 6), round(line.slope, 6)
    (1.0, 2.0)
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    fewest = 3 if y_sigma is None else 2
    if x.ndim != 1 or x.shape != y.shape or x.size < fewest or np.ptp(x) == 0:
        msg = f"'x' and 'y' must hold at least {fewest} points at different x, got {x.shape}"
        raise ValueError(msg)
    own = np.broadcast_to(np.asarray(1.0 if y_sigma is None else y_sigma, float), x.shape)
    across = np.broadcast_to(np.asarray(x_sigma, float), x.shape)
    if y_sigma is None and np.any(across > 0):
        msg = "'x_sigma' needs 'y_sigma' beside it"
        raise ValueError(msg)
    slope, weight, adjusted = _york_slope(x, y, across, own)
    centre_x, centre_y = np.average(x, weights=weight), np.average(y, weights=weight)
    mean = np.average(adjusted, weights=weight)
    slope_variance = 1 / np.sum(weight * (adjusted - mean) ** 2)
    left = y - centre_y - slope * (x - centre_x)
    chi2, dof = float(np.sum(weight * left**2)), x.size - 2
    lever = mean - about
    covariance = slope_variance * np.array([[lever**2, -lever], [-lever, 1.0]])
    covariance[0, 0] += 1 / np.sum(weight)
    scatter = math.sqrt(chi2 / dof) if dof else math.nan
    if y_sigma is None:
        covariance, chi2 = covariance * scatter**2, math.nan
    intercept = float(centre_y + slope * (about - centre_x))
    return Line(intercept, slope, covariance, about, dof, chi2, scatter)


def _york_slope(
    x: np.ndarray, y: np.ndarray, x_sigma: np.ndarray, y_sigma: np.ndarray
) -> tuple[float, np.ndarray, np.ndarray]:
    """Slope, weights, and the adjusted x of each point, by York's iteration."""
    slope = float(np.polyfit(x, y, 1)[0])
    for _ in range(_ROUNDS):
        variance = y_sigma**2 + (slope * x_sigma) ** 2
        weight = 1 / variance
        centre_x, centre_y = np.average(x, weights=weight), np.average(y, weights=weight)
        u, v = x - centre_x, y - centre_y
        beta = weight * (u * y_sigma**2 + slope * v * x_sigma**2)
        new = float(np.sum(weight * beta * v) / np.sum(weight * beta * u))
        settled = abs(new - slope) <= 1e-14 * abs(new)
        slope = new
        if settled:
            break
    return slope, weight, centre_x + beta
