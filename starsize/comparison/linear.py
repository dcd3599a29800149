"""The linear model with normal errors that every fit of this layer solves, in one place.

    y = X b + e,    e ~ N(0, V),    b_j ~ N(m_j, s_j^2), s_j infinite where nothing is known

With L = diag(1 / s^2) the answer is b = m + C X' V^-1 (y - X m), C = (X' V^-1 X + L)^-1, and

    2 ln p(y | V) = -ln|V| - ln|X' V^-1 X + L| + ln|L known| - r' V^-1 r - (b - m)' L (b - m)

up to a constant: the restricted likelihood where nothing is known of b (Patterson & Thompson 1971,
Biometrika 58, 545), the probability of the data where all of it is (Rasmussen & Williams 2006,
Gaussian Processes for Machine Learning, 2.39-2.42).
"""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Answer of ``solve`` for one covariance, or for G of them along the first axis.

    Attributes
    ----------
    mean : (..., p) array
    covariance : (..., p, p) array
    response : (..., p, n) array
        How each unknown answers to each observation.
    log_likelihood : (...,) array
        ln p(y | V) up to a constant.
    unexplained : (..., n, n) array
        P = V^-1 - V^-1 X C X' V^-1, the weight that the data keep for columns not in X: one more
        column k of size N(0, S^2) raises ln p by ``gain``.
    chi2 : (...,) array
        r' V^-1 r.
    """

    mean: np.ndarray
    covariance: np.ndarray
    response: np.ndarray
    log_likelihood: np.ndarray
    unexplained: np.ndarray
    chi2: np.ndarray


def solve(
    y: np.ndarray,
    design: np.ndarray,
    covariance: np.ndarray,
    *,
    prior_mean: np.ndarray | float = 0.0,
    prior_sigma: np.ndarray | float = np.inf,
) -> Solution:
    """Solve the linear model.

    Parameters
    ----------
    y : (n,) array
    design : (n, p) array
    covariance : (..., n, n) array
        Positive definite.
    prior_mean, prior_sigma : (p,) array or float
        What is known of the unknowns beforehand; infinite sigma where nothing is.

    Raises
    ------
    numpy.linalg.LinAlgError
        If data and priors leave an unknown open.
    """
    p = design.shape[1]
    known = np.broadcast_to(np.asarray(prior_sigma, float), p) ** -2.0
    centre = np.broadcast_to(np.asarray(prior_mean, float), p)
    weight = np.linalg.inv(covariance)
    weighted = weight @ design
    normal = design.T @ weighted + np.diag(known)
    posterior = np.linalg.inv(normal)
    response = posterior @ np.swapaxes(weighted, -1, -2)
    mean = centre + response @ (y - design @ centre)
    left, moved = y - mean @ design.T, mean - centre
    chi2 = np.einsum("...i,...ij,...j->...", left, weight, left)
    logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1]
    logs = logs - np.log(known[known > 0]).sum()
    return Solution(
        mean=mean,
        covariance=posterior,
        response=response,
        log_likelihood=-0.5 * (logs + chi2 + moved**2 @ known),
        unexplained=weight - weighted @ response,
        chi2=chi2,
    )


def gains(weight: np.ndarray, toward: np.ndarray, sets: np.ndarray, *, size: float) -> np.ndarray:
    """By how much ln p rises if some columns join the design, each of size N(0, size^2).

    With A = K' P K and d = K' P (y - X m) for the columns K of one set (P: ``unexplained``) it is
    (d' (A + I / size^2)^-1 d - ln|I + size^2 A|) / 2.

    Parameters
    ----------
    weight, toward : (..., h, h) and (..., h) arrays
        A and d for all h columns there are.
    sets : (m, k) int array
        Which columns each of m sets takes.

    Returns
    -------
    (..., m) array
    """
    inner = weight[..., sets[:, :, None], sets[:, None, :]] + np.eye(sets.shape[1]) / size**2
    d = toward[..., sets]
    found = np.linalg.solve(inner, d[..., None])[..., 0]
    return 0.5 * (np.sum(found * d, axis=-1) - np.linalg.slogdet(inner * size**2)[1])


def normal_errors(covariance: np.ndarray, size: int, *, seed: int) -> np.ndarray:
    """(size, k) draws of normal errors; the covariance may be singular, the seed is fixed."""
    value, vector = np.linalg.eigh(covariance)
    normal = np.random.default_rng(seed).standard_normal((size, len(value)))
    return normal @ (vector * np.sqrt(np.maximum(value, 0.0))).T
