"""Averages over an unknown run-to-run scatter: weights, intervals, draws."""

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, stdtr

P68, P95 = 0.682689492137, 0.95


@dataclass(frozen=True, slots=True)
class Interval:
    """A value, its standard uncertainty and its 95 % half-width.

    ``sigma`` is half the width of the interval that holds the truth with 68.3 % probability, so
    with few degrees of freedom ``half95`` is more than twice as large.
    """

    value: float
    sigma: float
    half95: float


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """Estimates of p parameters for each of G trial values of the scatter, and their weights.

    Attributes
    ----------
    weight : (G,) array, sums to 1
    mean : (G, p) array
    covariance : (G, p, p) array
    response : (G, p, n) array
        How each parameter answers to each observation.
    variance, dof : (n,) arrays
        Variance of each observation that was itself estimated, and its degrees of freedom.
    reach : (G, p, q) array
        How far each of q effects of which only a bound is known may push each parameter.
        ``covariance`` holds them as spread evenly within the bound; the intervals cover them
        wherever in it they lie.
    """

    weight: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    response: np.ndarray
    variance: np.ndarray
    dof: np.ndarray
    reach: np.ndarray

    @property
    def average(self) -> np.ndarray:
        """(p,) array: the estimates."""
        return self.weight @ self.mean

    def covariance_of(self, contrasts: np.ndarray) -> np.ndarray:
        """(m, m) covariance of (m, p) contrasts, scaled so that its diagonal is ``sigma**2``."""
        mean = self.mean @ contrasts.T
        spread = mean - self.weight @ mean
        within = contrasts @ np.einsum("g,gpq->pq", self.weight, self.covariance) @ contrasts.T
        total = within + np.einsum("g,gi,gj->ij", self.weight, spread, spread)
        sigma = np.array([i.sigma for i in self.intervals(contrasts)])
        root = np.sqrt(np.diag(total))
        scale = np.divide(sigma, root, out=np.zeros_like(root), where=root > 0)
        return total * np.outer(scale, scale)

    def intervals(self, contrasts: np.ndarray) -> list[Interval]:
        """Value, sigma and 95 % half-width of each row of ``contrasts``, an (m, p) array."""
        mean = self.mean @ contrasts.T
        pushed = np.abs(np.einsum("mp,gpq->gmq", contrasts, self.reach))
        variance = np.einsum("mp,gpq,mq->gm", contrasts, self.covariance, contrasts)
        variance = variance - (pushed**2).sum(axis=2) / 3
        sd = np.sqrt(np.maximum(variance, 0.0))
        dof = self._effective_dof(contrasts, variance)
        centre = self.weight @ mean
        worst = self.weight @ pushed.sum(axis=2)
        widths = [_half_width(self.weight, mean - centre, sd, dof, p) + worst for p in (P68, P95)]
        return [Interval(*map(float, row)) for row in zip(centre, *widths, strict=True)]

    def draws(self, contrasts: np.ndarray, size: int, *, seed: int = 0) -> np.ndarray:
        """(size, m) random draws of the contrasts; the seed is fixed so that results repeat."""
        rng = np.random.default_rng(seed)
        counts = rng.multinomial(size, self.weight)
        parts = []
        for g in np.flatnonzero(counts):
            covariance = contrasts @ self.covariance[g] @ contrasts.T
            value, vector = np.linalg.eigh(covariance)
            root = vector * np.sqrt(np.maximum(value, 0.0))
            normal = rng.standard_normal((counts[g], len(contrasts)))
            parts.append(contrasts @ self.mean[g] + normal @ root.T)
        return np.concatenate(parts)

    def _effective_dof(self, contrasts: np.ndarray, variance: np.ndarray) -> np.ndarray | None:
        """(G, m) effective degrees of freedom; None if all variances are known.

        Welch-Satterthwaite, JCGM 100:2008, G.4.1.
        """
        if not np.isfinite(self.dof).any():
            return None
        parts = (contrasts @ self.response) ** 2 * self.variance
        below = (parts**2 / self.dof).sum(axis=2)
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = np.where(below > 0, variance**2 / below, np.inf)
        return np.maximum(dof, 1.0)


def _half_width(
    weight: np.ndarray,
    shift: np.ndarray,
    sd: np.ndarray,
    dof: np.ndarray | None,
    probability: float,
) -> np.ndarray:
    """Half-width w with P(|x| < w) = probability under the mixture, by bisection."""
    scale = np.max(np.abs(shift) + sd, axis=0)
    low, high = np.zeros_like(scale), 70.0 * scale  # 64 is the 99.5 % point of t with 1 dof
    safe = np.where(sd > 0, sd, 1.0)

    def inside(width: np.ndarray) -> np.ndarray:
        up, down = (width - shift) / safe, (-width - shift) / safe
        if dof is None:
            share = ndtr(up) - ndtr(down)
        else:
            big = np.minimum(dof, 1e6)
            share = stdtr(big, up) - stdtr(big, down)
        exact = (np.abs(shift) <= width).astype(float)
        return weight @ np.where(sd > 0, share, exact)

    for _ in range(45):
        middle = (low + high) / 2
        too_small = inside(middle) < probability
        low, high = np.where(too_small, middle, low), np.where(too_small, high, middle)
    return (low + high) / 2
