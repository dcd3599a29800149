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
SETTLED = 1e-5
"""Fits are done when a step would lower chi-square by less: 0.003 of sigma, squared."""
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

    def rows(self, chosen: np.ndarray) -> "Prior":
        """That of some of the sweeps."""
        return Prior(self.mean[chosen], self.precision[chosen])


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
    residual, variance, leverage : (..., n)
    """

    parameters: np.ndarray
    covariance: np.ndarray
    log_evidence: np.ndarray
    chi2: np.ndarray
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
    found = np.broadcast_to(start[..., active], (*lead, len(active))).copy()
    parameters[..., active] = found
    near = None
    for _ in range(ITERATIONS):
        radius, by, seeing = curve_and_slopes(x, parameters, family, near=near)
        variance = _variance(radius, by, seeing, noise=noise, seen=y)
        hessian, weighted = _normal(by, present / variance, precision)
        off, away = y - radius, mean - found
        pull = _times(weighted, off) + precision * away
        # A step beyond half the span leaves the region where the slopes mean anything.
        step = np.clip(_solve(hessian, pull), -LARGEST_STEP, LARGEST_STEP)
        found += step
        parameters[..., active] = found
        near = radius + _times(by, step)
        chi2 = (off**2 * present / variance).sum(axis=-1)
        evidence = _evidence(chi2 + (precision * away**2).sum(axis=-1), variance, present, hessian)
        if _settled(evidence, (step * pull).sum(axis=-1)):
            break
    radius, by, seeing = curve_and_slopes(x, parameters, family, near=near)
    variance = _variance(radius, by, seeing, noise=noise, seen=y)
    weight = present / variance
    hessian, _ = _normal(by, weight, precision)
    inverse = np.linalg.inv(hessian)
    chi2 = ((y - radius) ** 2 * weight).sum(axis=-1)
    away = (precision * (found - mean) ** 2).sum(axis=-1)
    evidence = _evidence(chi2 + away, variance, present, hessian)
    evidence = evidence + 0.5 * np.log(precision / FLAT).sum(axis=-1)
    evidence = evidence + 0.5 * np.log(FLAT) * (len(active) - 3)
    covariance = np.zeros((*lead, PARAMETERS, PARAMETERS))
    covariance[..., np.array(active)[:, None], active] = inverse
    leverage = ((by @ inverse) * by).sum(axis=-1) * weight
    return Solution(parameters, covariance, evidence, chi2, y - radius, variance, leverage)


def _evidence(
    chi2: np.ndarray, variance: np.ndarray, present: np.ndarray, hessian: np.ndarray
) -> np.ndarray:
    spread = (present * np.log(variance)).sum(axis=-1)
    return -0.5 * (chi2 + spread + np.linalg.slogdet(hessian)[1])


def _settled(evidence: np.ndarray, change: np.ndarray) -> bool:
    """Whether the mean over each row's fits stays where it is: who counts little may yet move."""
    # What a fit may still gain in evidence is about half of what it lowers chi-square by.
    weight = np.exp(np.minimum(evidence + change - evidence.max(axis=-1, keepdims=True), 0))
    return bool((weight**2 * change).max() < SETTLED)


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
    weighted = np.swapaxes(by * weight[..., None], -1, -2)
    return weighted @ by + np.eye(by.shape[-1]) * precision[..., None], weighted


def _solve(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    # A touch of ridge: a sweep on one straight wing leaves floor and centre undetermined.
    one = np.eye(vector.shape[-1])
    return np.linalg.solve(matrix * (1 + 1e-10 * one) + 1e-12 * one, vector[..., None])[..., 0]


def _times(matrix: np.ndarray, vector: np.ndarray) -> np.ndarray:
    return (matrix @ vector[..., None])[..., 0]


def _variance(
    radius: np.ndarray, by: np.ndarray, by_seeing: np.ndarray, *, noise: Noise, seen: np.ndarray
) -> np.ndarray:
    """Variance of each point."""
    seeing = (noise.jitter * by_seeing) ** 2
    # A wild radius must not pull even as a suspect: its own size counts where it is larger.
    wild = noise.extra * np.maximum(radius, seen)
    return noise.star**2 + wild**2 + (noise.shake * by[..., 0]) ** 2 + seeing
