"""Averages over what is not known outright, such as the scatter: intervals, parts, draws."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr, stdtr

from ...estimate import Estimate
from ..linear import normal_errors

P68, P95, P997 = 0.682689492137, 0.95, 0.997300203937
"""Within one standard deviation of a normal distribution; 95 %; within three."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value, its standard uncertainty and its 95 % and 99.7 % half-widths.

    ``sigma`` is half the width of the interval that holds the truth with 68.3 % probability, with
    effects of which only a bound is known spread evenly within it (JCGM 100:2008, 4.3.7); the wider
    two cover such an effect wherever in its bound it lies. With few degrees of freedom the errors
    have the tails of Student's t: ``half95`` is more than twice as large, ``half997``, which three
    of a normal distribution would hold, more than three times (G.3). ``frames`` is the part of
    ``sigma`` that the fits of the sweeps bring; the rest adds to it in squares.
    """

    value: float
    sigma: float
    half95: float
    half997: float
    frames: float = 0.0

    @property
    def estimate(self) -> Estimate:
        """Value and standard uncertainty alone."""
        return Estimate(self.value, self.sigma)

    @property
    def focuser(self) -> float:
        """The part of ``sigma`` that is not from the frames."""
        return float(np.sqrt(max(self.sigma**2 - self.frames**2, 0.0)))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Mixture:
    """Estimates of p parameters from n observations for each of G cases, and their weights.

    ``weight`` (G,) sums to 1; ``mean`` (G, p), ``covariance`` (G, p, p); ``response`` (G, p, n) is
    how each parameter answers to each observation, ``noise`` (n, n) the covariance of these without
    scatter and ``dof`` (n,) the degrees of freedom behind its diagonal, infinite where it is known.
    ``reach`` (G, p, q) is how far each of q effects of which only a bound is known may push each
    parameter; ``covariance`` holds them as spread evenly within the bound.
    """

    weight: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    response: np.ndarray
    noise: np.ndarray
    dof: np.ndarray
    reach: np.ndarray

    @property
    def average(self) -> np.ndarray:
        """(p,) array."""
        return self.weight @ self.mean

    def covariance_of(self, contrasts: np.ndarray) -> np.ndarray:
        """(m, m) covariance of (m, p) contrasts, scaled so that its diagonal is ``sigma**2``."""
        shift = (self.mean - self.average) @ contrasts.T
        within = contrasts @ np.einsum("g,gpq->pq", self.weight, self.covariance) @ contrasts.T
        total = within + np.einsum("g,gi,gj->ij", self.weight, shift, shift)
        sigma = np.array([i.sigma for i in self.intervals(contrasts)])
        root = np.sqrt(np.diag(total))
        scale = np.divide(sigma, root, out=np.zeros_like(root), where=root > 0)
        return total * np.outer(scale, scale)

    def intervals(self, contrasts: np.ndarray) -> list[Interval]:
        """Value, sigma, wider half-widths and the frames' part of each row of (m, p) contrasts."""
        shift = (self.mean - self.average) @ contrasts.T
        pushed = np.abs(np.einsum("mp,gpq->gmq", contrasts, self.reach))
        variance = np.einsum("mp,gpq,mq->gm", contrasts, self.covariance, contrasts)
        spread = (pushed**2).sum(axis=2) / 3
        variance = np.maximum(variance - spread, 0.0)
        answer = contrasts @ self.response
        dof = self._effective_dof(answer, variance)
        worst = self.weight @ pushed.sum(axis=2)
        half = [_half_width(self.weight, shift, variance**0.5, dof, p) for p in (P68, P95, P997)]
        own = self.weight @ np.einsum("gmn,nk,gmk->gm", answer, self.noise, answer)
        frames = np.minimum(half[0], np.sqrt(np.maximum(own, 0.0)))
        sigma = np.sqrt(half[0] ** 2 + self.weight @ spread)
        columns = (contrasts @ self.average, sigma, half[1] + worst, half[2] + worst, frames)
        return [Interval(*map(float, row)) for row in zip(*columns, strict=True)]

    def draws(self, contrasts: np.ndarray, size: int, *, seed: int = 0) -> np.ndarray:
        """(size, m) random draws of the contrasts; the seed is fixed so that results repeat."""
        counts = np.random.default_rng(seed).multinomial(size, self.weight)
        parts = [
            contrasts @ self.mean[g]
            + normal_errors(
                contrasts @ self.covariance[g] @ contrasts.T, counts[g], seed=seed + 1 + int(g)
            )
            for g in np.flatnonzero(counts)
        ]
        return np.concatenate(parts)

    def _effective_dof(self, answer: np.ndarray, variance: np.ndarray) -> np.ndarray | None:
        """(G, m) effective degrees of freedom; None if all variances are known.

        Welch-Satterthwaite, JCGM 100:2008, G.4.1.
        """
        if not np.isfinite(self.dof).any():
            return None
        parts = answer**2 * np.diag(self.noise)
        below = (parts**2 / self.dof).sum(axis=2)
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = np.where(below > 0, variance**2 / below, np.inf)
        return np.maximum(dof, 1.0)


def mixed(parts: Sequence[Mixture], weight: Sequence[float] | np.ndarray, count: int) -> Mixture:
    """The first ``count`` parameters of several, each with its weight (they sum to 1)."""
    own = (slice(None), slice(count))
    cuts = {"mean": own, "covariance": (*own, own[1]), "response": own, "reach": (*own, own[1])}
    return replace(
        parts[0],
        weight=np.concatenate([w * part.weight for w, part in zip(weight, parts, strict=True)]),
        **{
            name: np.concatenate([getattr(part, name)[cut] for part in parts])
            for name, cut in cuts.items()
        },
    )


def _half_width(
    weight: np.ndarray,
    shift: np.ndarray,
    sd: np.ndarray,
    dof: np.ndarray | None,
    probability: float,
) -> np.ndarray:
    """Half-width w with P(|x| < w) = probability under the mixture, by bisection."""
    scale = np.max(np.abs(shift) + sd, axis=0)
    low, high = np.zeros_like(scale), 240.0 * scale  # 236 is the 99.87 % point of t with 1 dof
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

    for _ in range(36):
        middle = (low + high) / 2
        too_small = inside(middle) < probability
        low, high = np.where(too_small, middle, low), np.where(too_small, high, middle)
    return (low + high) / 2
