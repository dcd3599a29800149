"""Batched Gauss-Newton for one family of focus curves under known noise.

All arrays carry any leading shape (sweeps, suspects, noise levels) and the points in the last
axis, so that one call fits thousands of small problems. Positions are scaled to about -1..1 and
the parameters are those of ``family``: unbounded, of order one.
"""

from dataclasses import dataclass

import numpy as np

from .family import PARAMETERS, Family, curve_and_slopes

ITERATIONS = 14
LARGEST_STEP = 0.5
FLAT = 1e-9
"""Precision that stands for no prior knowledge."""


@dataclass(frozen=True, slots=True)
class Noise:
    """Noise of each point: ``star`` (px), relative jitter of the floor, extra relative scatter.

    Each broadcasts against (..., n). ``extra`` is a share of the radius: large for a suspect.
    ``shake`` is the scatter of the camera about the positions, scaled like x.
    """

    star: np.ndarray
    jitter: np.ndarray
    extra: np.ndarray
    shake: np.ndarray


@dataclass(frozen=True, slots=True)
class Prior:
    """Independent normal priors of centre, ln floor, ln slope, droop: (..., 4) means, precisions.

    The droop's comes on top of what its family says of it.
    """

    mean: np.ndarray
    precision: np.ndarray


@dataclass(frozen=True, slots=True)
class Solution:
    """Where Gauss-Newton ended.

    Attributes
    ----------
    parameters : (..., 8)
    covariance : (..., 8, 8)
        Zero where a parameter is not fitted.
    log_evidence : (...)
        Restricted log-likelihood plus prior, up to a constant common to one sweep.
    chi2 : (...)
    seeing_share : (..., n)
        Share of the seeing in each point's variance.
    residual, variance, leverage : (..., n)
    """

    parameters: np.ndarray
    covariance: np.ndarray
    log_evidence: np.ndarray
    chi2: np.ndarray
    seeing_share: np.ndarray
    residual: np.ndarray
    variance: np.ndarray
    leverage: np.ndarray


def solve(
    x: np.ndarray,
    y: np.ndarray,
    family: Family,
    *,
    noise: Noise,
    start: np.ndarray,
    prior: Prior,
    present: np.ndarray,
) -> Solution:
    """Fit; the noise follows the model, so its weights are renewed at every step.

    Parameters
    ----------
    x, y : (..., n) arrays
        Scaled positions and radii.
    start : (..., 8) array
        Broadcast to the common leading shape.
    present : (..., n) array
        0 where there is no point (padding), else 1.

    Returns
    -------
    Solution
        The restricted likelihood (Patterson & Thompson 1971, Biometrika 58, 545 -- from memory)
        with the parameters integrated out by Laplace's method.
    """
    shapes = (x, y, start, noise.star, noise.jitter, noise.extra, noise.shake, prior.mean, present)
    lead = np.broadcast_shapes(*(a.shape[:-1] for a in shapes))
    active = family.active
    mean, precision = _full_prior(prior, family)
    parameters = np.zeros((*lead, PARAMETERS))
    parameters[..., active] = start[..., active]
    for _ in range(ITERATIONS):
        radius, by, seeing = curve_and_slopes(x, parameters, family)
        weight = present / _variance(radius, by, seeing, noise=noise, seen=y)[0]
        hessian, weighted = _normal(by, weight, precision)
        pull = ((y - radius)[..., None] * weighted).sum(axis=-2)
        pull += precision * (mean - parameters[..., active])
        # A step beyond half the span leaves the region where the slopes mean anything.
        step = np.clip(_solve(hessian, pull), -LARGEST_STEP, LARGEST_STEP)
        parameters[..., active] += step
        if np.abs(step).max() < 1e-6:
            break
    radius, by, seeing = curve_and_slopes(x, parameters, family)
    variance, share = _variance(radius, by, seeing, noise=noise, seen=y)
    weight = present / variance
    hessian, _ = _normal(by, weight, precision)
    inverse = np.linalg.inv(hessian)
    chi2 = ((y - radius) ** 2 * weight).sum(axis=-1)
    away = (precision * (parameters[..., active] - mean) ** 2).sum(axis=-1)
    spread = (present * np.log(variance)).sum(axis=-1)
    evidence = -0.5 * (chi2 + away + spread + np.linalg.slogdet(hessian)[1])
    evidence = evidence + 0.5 * np.log(precision / FLAT).sum(axis=-1)
    evidence = evidence + 0.5 * np.log(FLAT) * (len(active) - 3)
    covariance = np.zeros((*lead, PARAMETERS, PARAMETERS))
    covariance[..., np.array(active)[:, None], active] = inverse
    leverage = ((by @ inverse) * by).sum(axis=-1) * weight
    return Solution(
        parameters, covariance, evidence, chi2, share * present, y - radius, variance, leverage
    )


def _full_prior(prior: Prior, family: Family) -> tuple[np.ndarray, np.ndarray]:
    known = [index for index in family.active if index < prior.mean.shape[-1]]
    own = np.concatenate([np.zeros(3), 1 / family.freedom_sigma**2])
    precision = np.broadcast_to(own, (*prior.mean.shape[:-1], own.size)).copy()
    precision[..., : len(known)] += prior.precision[..., known]
    mean = np.zeros_like(precision)
    mean[..., : len(known)] = (prior.precision * prior.mean)[..., known]
    return mean / precision, precision


def _normal(
    by: np.ndarray, weight: np.ndarray, precision: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    weighted = by * weight[..., None]
    hessian = np.swapaxes(weighted, -1, -2) @ by
    size = range(by.shape[-1])
    hessian[..., size, size] += precision
    return hessian, weighted


def _solve(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    # A touch of ridge: a sweep on one straight wing leaves floor and centre undetermined.
    size = range(vector.shape[-1])
    matrix = matrix.copy()
    matrix[..., size, size] += 1e-10 * matrix[..., size, size] + 1e-12
    return np.linalg.solve(matrix, vector[..., None])[..., 0]


def _variance(
    radius: np.ndarray, by: np.ndarray, by_seeing: np.ndarray, *, noise: Noise, seen: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Variance of each point, and the share of the seeing in it."""
    seeing = (noise.jitter * by_seeing) ** 2
    # A wild radius must not pull even as a suspect: its own size counts where it is larger.
    wild = noise.extra * np.maximum(radius, seen)
    other = noise.star**2 + wild**2 + (noise.shake * by[..., 0]) ** 2
    return other + seeing, seeing / (other + seeing)
