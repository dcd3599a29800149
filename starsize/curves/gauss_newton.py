"""Batched Gauss-Newton for one focus-curve shape under known noise.

All arrays carry any leading shape (trials, noise levels, suspects) and the points in the last
axis, so that one call fits thousands of small problems. Positions are scaled to about -1..1 and
the parameters are (centre, ln floor, ln slope): unbounded, of order one.
"""

from dataclasses import dataclass

import numpy as np

from .shapes import Shape

ITERATIONS = 14
LARGEST_STEP = 0.5
FLAT = 1e-9
"""Precision that stands for no prior knowledge."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of each point: ``star`` (px), relative jitter of the floor, extra relative scatter.

    Each broadcasts against (..., n). ``extra`` is a share of the radius: large for a suspect.
    """

    star: np.ndarray
    jitter: np.ndarray
    extra: np.ndarray


@dataclass(frozen=True, slots=True)
class Prior:
    """Independent normal priors of the parameters: (..., p) means and precisions."""

    mean: np.ndarray
    precision: np.ndarray


@dataclass(frozen=True, slots=True)
class Solution:
    """Where Gauss-Newton ended.

    Attributes
    ----------
    parameters : (..., p)
    covariance : (..., p, p)
    log_evidence : (...)
        Restricted log-likelihood plus prior, up to a constant common to one sweep.
    chi2 : (...)
    seeing_share : (..., n)
        Share of the seeing in each point's variance.
    radius, variance : (..., n)
    """

    parameters: np.ndarray
    covariance: np.ndarray
    log_evidence: np.ndarray
    chi2: np.ndarray
    seeing_share: np.ndarray
    radius: np.ndarray
    variance: np.ndarray


def model(x: np.ndarray, parameters: np.ndarray, shape: Shape) -> tuple[np.ndarray, np.ndarray]:
    """Radius (..., n) and its derivatives (..., n, p) by centre, ln floor and ln slope."""
    floor = np.exp(parameters[..., 1, None])
    slope = np.exp(parameters[..., 2, None])
    u = slope * (x - parameters[..., 0, None]) / floor
    g, rate = shape(u)
    by_slope = floor * u * rate
    return floor * g, np.stack([-slope * rate, floor * g - by_slope, by_slope], axis=-1)


def solve(
    x: np.ndarray,
    y: np.ndarray,
    shape: Shape,
    *,
    noise: Noise,
    start: np.ndarray,
    prior: Prior | None = None,
    present: np.ndarray | None = None,
) -> Solution:
    """Fit; the noise follows the model, so its weights are renewed at every step.

    Parameters
    ----------
    x, y : (..., n) arrays
        Scaled positions and radii.
    start : (..., p) array
        Broadcast to the common leading shape.
    present : (..., n) bool array, optional
        False where there is no point (padding).

    Returns
    -------
    Solution
        The restricted likelihood (Patterson & Thompson 1971, Biometrika 58, 545 -- from memory)
        with the parameters integrated out by Laplace's method.
    """
    lead = np.broadcast_shapes(
        x.shape[:-1],
        y.shape[:-1],
        start.shape[:-1],
        noise.star.shape[:-1],
        noise.jitter.shape[:-1],
        noise.extra.shape[:-1],
    )
    size = start.shape[-1]
    prior = prior or Prior(np.zeros(size), np.full(size, FLAT))
    parameters = np.array(np.broadcast_to(start, (*lead, size)))
    here = 1.0 if present is None else present.astype(float)
    for _ in range(ITERATIONS):
        radius, by = model(x, parameters, shape)
        weight = here / _variance(radius, by, noise)[0]
        weighted = by * weight[..., None]
        hessian = np.swapaxes(weighted, -1, -2) @ by
        hessian[..., range(size), range(size)] += prior.precision
        pull = ((y - radius)[..., None] * weighted).sum(axis=-2)
        pull += prior.precision * (prior.mean - parameters)
        # A step beyond half the span leaves the region where the slopes mean anything.
        step = np.clip(_solve(hessian, pull), -LARGEST_STEP, LARGEST_STEP)
        parameters += step
        if np.abs(step).max() < 1e-7:
            break
    radius, by = model(x, parameters, shape)
    variance, seeing = _variance(radius, by, noise)
    weight = here / variance
    hessian = np.swapaxes(by * weight[..., None], -1, -2) @ by
    hessian[..., range(size), range(size)] += prior.precision
    covariance = np.linalg.inv(hessian)
    chi2 = ((y - radius) ** 2 * weight).sum(axis=-1)
    away = (prior.precision * (parameters - prior.mean) ** 2).sum(axis=-1)
    spread = (here * np.log(variance)).sum(axis=-1)
    evidence = -0.5 * (chi2 + away + spread + np.linalg.slogdet(hessian)[1])
    evidence = evidence + 0.5 * np.log(prior.precision / FLAT).sum(axis=-1)
    return Solution(parameters, covariance, evidence, chi2, seeing * here, radius, variance)


def _solve(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    # A touch of ridge: a sweep on one straight wing leaves floor and centre undetermined.
    size = vector.shape[-1]
    matrix = matrix.copy()
    diagonal = matrix[..., range(size), range(size)]
    matrix[..., range(size), range(size)] += 1e-10 * diagonal + 1e-12
    return np.linalg.solve(matrix, vector[..., None])[..., 0]


def _variance(radius: np.ndarray, by: np.ndarray, noise: Noise) -> tuple[np.ndarray, np.ndarray]:
    """Variance of each point, and the share of the seeing in it."""
    seeing = (noise.jitter * by[..., 1]) ** 2
    variance = noise.star**2 + seeing + (noise.extra * radius) ** 2
    return variance, seeing / variance
