"""The linear model with normal errors, in one place.

    y = X b + e,    e ~ N(0, N + tau^2 T),    b_j ~ N(m_j, s_j^2), s_j infinite if nothing is known

With V = N + tau^2 T and L = diag(1 / s^2) the answer is b = m + C X' V^-1 (y - X m),
C = (X' V^-1 X + L)^-1, and

    2 ln p(y | V) = -ln|V| - ln|X' V^-1 X + L| + ln|L known| - r' V^-1 r - (b - m)' L (b - m)

up to a constant: the restricted likelihood where nothing is known of b (Patterson & Thompson 1971,
Biometrika 58, 545), the probability of the data where all of it is (Rasmussen & Williams 2006,
Gaussian Processes for Machine Learning, 2.39-2.42).

Axes W with W N W' = 1 and W T W' = diag(s) make every V diagonal: W V W' = diag(1 + tau^2 s).
Observations that have nothing to do with each other have axes of their own, so that nights of
years cost what their number does.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

#: Directions in which N is smaller than this share of its largest are taken to be as large.
_SINGULAR = 1e-13
#: Larger columns of many nights are mostly zeros, and kept without them.
_FEW_NUMBERS = 5_000


class Axes(NamedTuple):
    """``turn`` is W (n, n), ``share`` (n,) the diagonal of W T W', ``log_noise`` ln|N|."""

    turn: np.ndarray
    share: np.ndarray
    log_noise: float


def own_axes(noise: np.ndarray, together: np.ndarray) -> Axes:
    """Find the axes of two (n, n) covariances, ``noise`` positive definite but for rounding."""
    n = len(noise)
    count, block = connected_components(csr_array((noise != 0) | (together != 0)), directed=False)
    turn, share, log_noise = np.zeros((n, n)), np.zeros(n), 0.0
    for k in range(count):
        mine = np.flatnonzero(block == k)
        own = np.ix_(mine, mine)
        value, vector = np.linalg.eigh(noise[own])
        value = np.maximum(value, _SINGULAR * value[-1])
        white = (vector / np.sqrt(value)).T
        share[mine], rotation = np.linalg.eigh(white @ together[own] @ white.T)
        turn[own] = rotation.T @ white
        log_noise += float(np.log(value).sum())
    return Axes(turn, share, log_noise)


@dataclass(frozen=True, slots=True, eq=False)
class System:
    """The linear model: ``y`` (n,), ``design`` X (n, p), priors (p,), axes of N and T."""

    y: np.ndarray
    design: np.ndarray
    prior_mean: np.ndarray
    prior_sigma: np.ndarray
    axes: Axes

    @property
    def left(self) -> np.ndarray:
        """The data less what the priors expect."""
        return self.y - self.design @ self.prior_mean

    def solve(self, tau: np.ndarray | float) -> "Solved":
        """Solve for G values of tau; ``LinAlgError`` if data and priors leave an unknown open."""
        known = self.prior_sigma**-2.0
        x, d = self.axes.turn @ self.design, self.axes.turn @ self.left
        variance = 1 + np.atleast_1d(tau)[:, None] ** 2 * self.axes.share
        weight = 1 / variance
        normal = np.stack([(x.T * row) @ x for row in weight]) + np.diag(known)
        posterior = np.linalg.inv(normal)
        moved = np.einsum("gpq,gq->gp", posterior, (weight * d) @ x)
        chi2 = np.sum(weight * (d - moved @ x.T) ** 2, axis=1)
        logs = self.axes.log_noise + np.log(variance).sum(axis=1) + np.linalg.slogdet(normal)[1]
        logs = logs - np.log(known[known > 0]).sum()
        log_p = -0.5 * (logs + chi2 + moved**2 @ known)
        return Solved(self.prior_mean + moved, posterior, log_p, chi2, weight, self.axes.turn, x)


@dataclass(frozen=True, slots=True, eq=False)
class Solved:
    """Mean (G, p), covariance (G, p, p), ln p (G,) up to a constant, and r' V^-1 r (G,).

    ``weight`` (G, n) is the inverse variance along the axes ``turn``, ``design`` X in these.
    """

    mean: np.ndarray
    covariance: np.ndarray
    log_likelihood: np.ndarray
    chi2: np.ndarray
    weight: np.ndarray
    turn: np.ndarray
    design: np.ndarray

    def response(self, which: np.ndarray) -> np.ndarray:
        """(g, p, n) array: how each unknown answers to each observation, for some covariances."""
        weighted = np.stack([self.design.T * row for row in self.weight[which]])
        return self.covariance[which] @ weighted @ self.turn

    def unexplained(self, columns: np.ndarray) -> Iterator[np.ndarray]:
        """K' P K of (n, k) columns K for each covariance in turn, (k, k).

        P = V^-1 - V^-1 X C X' V^-1 is the weight that the data keep for columns not in X.
        """
        turned: Any = self.turn @ columns
        many = turned.size > _FEW_NUMBERS
        if many:
            turned = csr_array(turned)
        for weight, covariance in zip(self.weight, self.covariance, strict=True):
            weighted = turned.T * weight
            known, inner = weighted @ self.design, weighted @ turned
            if many:
                inner = inner.toarray()
            yield inner - known @ covariance @ known.T


def normal_errors(covariance: np.ndarray, size: int, *, seed: int) -> np.ndarray:
    """(size, k) draws of normal errors; the covariance may be singular, the seed is fixed."""
    rng, zero = np.random.default_rng(seed), np.zeros(len(covariance))
    return rng.multivariate_normal(zero, covariance, size, check_valid="ignore", method="eigh")
