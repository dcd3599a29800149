"""One adjustment of all sweeps, averaged over the run-to-run scatter.

Best focus of a sweep is that of its filter and what each term adds: the linear model of ``linear``,
N the covariance of the fits, tau the scatter, T one for the channels of the same exposures.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Literal

import numpy as np
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from ...estimate import Estimate
from ..linear import System, normal_errors, own_axes
from .sweeps import BestFocusData

Source = Literal["frames", "setup", "bound"]

P68, P95, P997 = 0.682689492137, 0.95, 0.997300203937
"""Within one standard deviation of a normal distribution; 95 %; within three."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Term:
    """One unknown beside the filters: its column, and what it rests on.

    The frames alone; or ``prior_value`` and ``prior_sigma`` beside them, as the setup states them;
    or that it lies within +- ``bound``, the largest plausible size.
    """

    name: str
    column: np.ndarray
    source: Source = "frames"
    bound: float = 0.0
    prior_value: float = 0.0
    prior_sigma: float = math.inf

    @property
    def sigma(self) -> float:
        """Of what is known beforehand; a bound spreads evenly (JCGM 100:2008, 4.3.7)."""
        return self.bound / math.sqrt(3) if self.source == "bound" else self.prior_sigma


@dataclass(frozen=True, slots=True)
class Scatter:
    """Run-to-run scatter to expect: its median, and the spread of its logarithm."""

    median_steps: float
    spread: float = 1.0

    def trials(self, ceiling: float) -> np.ndarray:
        """(64,) trial values, even in their logarithm; no scatter is far above ``ceiling``."""
        low, high = self.median_steps * np.exp(np.array([-4.0, 4.0]) * self.spread)
        if self.spread >= 1 and ceiling > 1e-6 * low:
            low, high = min(low, 0.02 * ceiling), max(high, 40 * ceiling)
        return np.geomspace(low, high, 64)

    def log_prior(self, tau: np.ndarray) -> np.ndarray:
        """Logarithm of the prior of ln tau."""
        return -0.5 * (np.log(tau / self.median_steps) / self.spread) ** 2


@dataclass(frozen=True, slots=True)
class Interval:
    """A value, its standard uncertainty and its 95 % and 99.7 % half-widths.

    ``sigma`` is half the width of the interval that holds the truth with 68.3 % probability, with
    effects of which only a bound is known spread evenly within it (JCGM 100:2008, 4.3.7); the wider
    two cover such an effect wherever in its bound it lies. With few degrees of freedom the errors
    have the tails of Student's t: ``half95`` is more than twice as large, ``half997``, which three
    of a normal distribution would hold, more than three times (G.3). ``frames`` is the part of
    ``sigma`` that the fits of the sweeps bring; ``focuser``, the rest, adds to it in squares.
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjustment:
    """All p unknowns, first the filters, for each of G cases of what is not known outright.

    ``weight`` (G,) sums to 1; ``mean`` (G, p), ``covariance`` (G, p, p); ``response`` (G, p, n) is
    how each unknown answers to each sweep; ``reach`` (G, p, q) how far each of q effects of which
    only a bound is known may push it, which ``covariance`` holds as spread evenly. ``chi2`` is that
    of the residuals without scatter, NaN where the fits' own covariance is 0.
    """

    data: BestFocusData
    terms: tuple[Term, ...]
    weight: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    response: np.ndarray
    reach: np.ndarray
    scatter: Estimate
    scatter68_steps: tuple[float, float]
    dof: int
    chi2: float

    @property
    def filters(self) -> tuple[str, ...]:
        """In order of first appearance."""
        return self.data.names

    @property
    def names(self) -> tuple[str, ...]:
        """The filters followed by the terms."""
        return self.filters + tuple(term.name for term in self.terms)

    @property
    def birge_ratio(self) -> float | None:
        """sqrt(chi2 / dof): 1 where scatter and stated uncertainty agree (Birge 1932)."""
        told = self.dof >= 1 and np.isfinite(self.chi2)
        return math.sqrt(self.chi2 / self.dof) if told else None

    @property
    def average(self) -> np.ndarray:
        """(p,) array."""
        return self.weight @ self.mean

    @property
    def focus(self) -> np.ndarray:
        """(k, p) contrasts that pick best focus of each filter."""
        return np.eye(len(self.names))[: len(self.filters)]

    def contrasts(self, reference: str) -> np.ndarray:
        """(k, p) array that takes the reference's best focus from every filter's."""
        return self.focus - self.focus[self.filters.index(reference)]

    def offsets(self, reference: str) -> dict[str, Interval]:
        """Offset of each filter from the reference."""
        found = self.intervals(self.contrasts(reference))
        return dict(zip(self.filters, found, strict=True))

    def source(self, name: str) -> Source | None:
        """What a term rests on; None where there is none of that name."""
        return next((term.source for term in self.terms if term.name == name), None)

    def term(self, name: str) -> Interval:
        """Value and uncertainty of one unknown by name."""
        return self.intervals(np.eye(len(self.names))[[self.names.index(name)]])[0]

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
        half = _half_widths(self.weight, shift, variance**0.5, dof)
        noise = self.data.covariance_steps2
        own = self.weight @ np.einsum("gmn,nk,gmk->gm", answer, noise, answer)
        frames = np.minimum(half[0], np.sqrt(np.maximum(own, 0.0)))
        sigma = np.sqrt(half[0] ** 2 + self.weight @ spread)
        columns = (contrasts @ self.average, sigma, half[1] + worst, half[2] + worst, frames)
        return [Interval(*map(float, row)) for row in zip(*columns, strict=True)]

    def draws(self, contrasts: np.ndarray, size: int) -> np.ndarray:
        """(size, m) random draws of the contrasts; the seed is fixed so that results repeat."""
        counts = np.random.default_rng(0).multinomial(size, self.weight)
        parts = [
            contrasts @ self.mean[g]
            + normal_errors(
                contrasts @ self.covariance[g] @ contrasts.T, counts[g], seed=1 + int(g)
            )
            for g in np.flatnonzero(counts)
        ]
        return np.concatenate(parts)

    def _effective_dof(self, answer: np.ndarray, variance: np.ndarray) -> np.ndarray | None:
        """(G, m) by Welch-Satterthwaite, JCGM 100:2008, G.4.1; None if variances are known."""
        if not np.isfinite(self.data.dof).any():
            return None
        parts = answer**2 * np.diag(self.data.covariance_steps2)
        below = (parts**2 / self.data.dof).sum(axis=2)
        with np.errstate(divide="ignore", invalid="ignore"):
            dof = np.where(below > 0, variance**2 / below, np.inf)
        return np.maximum(dof, 1.0)


def adjust(
    data: BestFocusData,
    terms: Sequence[Term] = (),
    *,
    scatter: Scatter | float,
    planned: bool = False,
) -> Adjustment:
    """Solve best focus = filter + terms for all sweeps at once.

    Averaged over the scatter, weighted by its likelihood and by what is common among telescopes:
    its logarithm spreads normally about ``scatter`` (a number is its median, steps). With no
    repeats at all it is taken from there; a few repeats outweigh it. Of ``planned`` sweeps, that
    nobody has taken yet, it is as expected, whatever the positions.
    """
    expected = scatter if isinstance(scatter, Scatter) else Scatter(scatter)
    system = system_of(data, terms)
    plainly = system.design @ np.linalg.lstsq(system.design, system.left, rcond=None)[0]
    tau = expected.trials(0.0 if planned else float(np.max(np.abs(system.left - plainly))))
    found = system.solve(tau)
    log_weight = expected.log_prior(tau) + (0.0 if planned else found.log_likelihood)
    weight = np.exp(log_weight - log_weight.max())
    weight = weight / weight.sum()
    kept = weight > 1e-9
    bound = [t.bound if t.source == "bound" else 0.0 for t in terms]
    known = system.prior_sigma**-2.0 * np.array([0.0] * len(data.names) + bound)
    # Median and interval of the scatter's own distribution.
    ends = [(1 - P68) / 2, 0.5, (1 + P68) / 2]
    low, middle, high = np.interp(ends, np.cumsum(weight) - weight / 2, tau).tolist()
    measured = np.all(np.diag(data.covariance_steps2) > 0)
    return Adjustment(
        data=data,
        terms=tuple(terms),
        weight=weight[kept] / weight[kept].sum(),
        mean=found.mean[kept],
        covariance=found.covariance[kept],
        response=found.response(kept),
        reach=found.covariance[kept] * known,
        scatter=Estimate(middle, (high - low) / 2),
        scatter68_steps=(low, high),
        dof=len(data.ids) - int(np.sum(~np.isfinite(system.prior_sigma))),
        chi2=float(system.solve(0.0).chi2[0]) if measured else math.nan,
    )


def averaged(parts: Sequence[Adjustment], weight: np.ndarray, terms: Sequence[Term]) -> Adjustment:
    """Several with their weights (they sum to 1), as to the terms that all of them begin with.

    What is no average is the likeliest one's.
    """
    own = slice(len(parts[0].filters) + len(terms))

    def joined(name: str, *cut: slice) -> np.ndarray:
        return np.concatenate([getattr(part, name)[:, *cut] for part in parts])

    return replace(
        parts[int(np.argmax(weight))],
        terms=tuple(terms),
        weight=np.concatenate([w * part.weight for w, part in zip(weight, parts, strict=True)]),
        mean=joined("mean", own),
        covariance=joined("covariance", own, own),
        response=joined("response", own),
        reach=joined("reach", own, own),
    )


def system_of(data: BestFocusData, terms: Sequence[Term]) -> System:
    """The linear model of some sweeps: one unknown for each filter, then the terms."""
    y, n, names = data.position_steps, len(data.ids), data.names
    filters = np.array(data.filters)[:, None] == np.array(names)
    # A billionth on the diagonal: perfectly correlated fits are no reason to give up.
    own, noise = 1e-9 * np.eye(n), data.covariance_steps2
    return System(
        y=y,
        design=np.column_stack([filters, *(t.column for t in terms)]).astype(float),
        # Nothing is known of the filters; counting from the middle keeps digits.
        prior_mean=np.array([float(np.mean(y))] * len(names) + [t.prior_value for t in terms]),
        prior_sigma=np.array([np.inf] * len(names) + [t.sigma for t in terms]),
        axes=own_axes(
            noise + own * max(float(np.mean(np.diag(noise))), 1e-12),
            (data.exposure_set[:, None] == data.exposure_set) + own,
        ),
    )


def _half_widths(
    weight: np.ndarray, shift: np.ndarray, sd: np.ndarray, dof: np.ndarray | None
) -> np.ndarray:
    """(3, m) half-widths w with P(|x| < w) of 68, 95 and 99.7 % under the mixture, by bisection."""
    wanted = np.array([[P68], [P95], [P997]])
    scale = np.max(np.abs(shift) + sd, axis=0)
    # No part of the mixture reaches further; halved so often, that is as good as nothing.
    end = (1 + P997) / 2
    most = ndtri(end) if dof is None else stdtrit(min(float(np.min(dof)), 1e6), end)
    low, high = np.zeros((3, scale.size)), np.tile(1.01 * most * scale, (3, 1))
    safe = np.where(sd > 0, sd, 1.0)
    below = ndtr if dof is None else partial(stdtr, np.minimum(dof, 1e6))
    for _ in range(24):
        width = (low + high) / 2
        at = width[:, None]
        share = below((at - shift) / safe) - below((-at - shift) / safe)
        inside = weight @ np.where(sd > 0, share, np.abs(shift) <= at)
        short = inside < wanted
        low, high = np.where(short, width, low), np.where(short, high, width)
    return (low + high) / 2
