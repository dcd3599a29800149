"""One adjustment of all sweeps, averaged over the run-to-run scatter."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..linear import System, own_axes
from .mixture import P68, P95, P997, Interval, Mixture
from .sweeps import BestFocusData


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Term:
    """One unknown beside the filters: its column, and what is known of it beforehand.

    Without ``prior_sigma`` and ``bound`` that is nothing; a ``bound`` holds it within +- that.
    """

    name: str
    column: np.ndarray
    prior_value: float = 0.0
    prior_sigma: float | None = None
    bound: float | None = None

    @property
    def sigma(self) -> float:
        """Of what is known beforehand; a bound spreads evenly (JCGM 100:2008, 4.3.7)."""
        if self.bound is not None:
            return self.bound / math.sqrt(3)
        return math.inf if self.prior_sigma is None else self.prior_sigma


@dataclass(frozen=True, slots=True)
class Scatter:
    """Run-to-run scatter to expect: its median, and the spread of its logarithm."""

    median_steps: float
    spread: float = 1.0

    def trials(self, ceiling: float) -> np.ndarray:
        """(64,) trial values, even in their logarithm; no scatter is far above ``ceiling``."""
        low, high = self.median_steps * np.exp(np.array([-4.0, 4.0]) * self.spread)
        if self.spread >= 1 and ceiling > 1e-9 * low:
            low, high = min(low, 0.02 * ceiling), max(high, 40 * ceiling)
        return np.geomspace(low, high, 64)

    def log_prior(self, tau: np.ndarray) -> np.ndarray:
        """Logarithm of the prior of ln tau."""
        return -0.5 * (np.log(tau / self.median_steps) / self.spread) ** 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjustment:
    """Result of the adjustment; ``names`` are the filters followed by the terms.

    ``chi2`` is that of the residuals against the fits' own covariance, without scatter, NaN where
    that is 0; ``measuring_steps`` the fits' own uncertainty of a sweep (root mean square).
    """

    filters: tuple[str, ...]
    names: tuple[str, ...]
    mixture: Mixture
    scatter: Interval
    scatter68_steps: tuple[float, float]
    measuring_steps: float
    dof: int
    chi2: float

    @property
    def birge_ratio(self) -> float | None:
        """sqrt(chi2 / dof): 1 where scatter and stated uncertainty agree (Birge 1932)."""
        if self.dof < 1 or not np.isfinite(self.chi2):
            return None
        return math.sqrt(self.chi2 / self.dof)

    def offsets(self, reference: str) -> list[Interval]:
        """Offset of each filter from the reference, in the order of ``filters``."""
        return self.mixture.intervals(self.contrasts(reference))

    def contrasts(self, reference: str) -> np.ndarray:
        """(k, p) array that takes the reference's best focus from every filter's."""
        rows = np.eye(len(self.names))[: len(self.filters)]
        return rows - rows[self.filters.index(reference)]

    def term(self, name: str) -> Interval:
        """Value and uncertainty of one unknown by name."""
        return self.mixture.intervals(np.eye(len(self.names))[[self.names.index(name)]])[0]


def adjust(
    data: BestFocusData,
    terms: Sequence[Term] = (),
    *,
    scatter: Scatter | float,
    planned: bool = False,
) -> Adjustment:
    """Solve best focus = filter + terms for all sweeps at once.

    The covariance is that of the fits plus an unknown run-to-run variance tau^2, common to the
    channels of the same exposures. Everything is averaged over tau, weighted by its likelihood
    (``linear``) and by what is common among telescopes: its logarithm spreads normally about
    ``scatter`` (a number is its median, steps). With no repeats at all tau is taken from there; a
    few repeats outweigh it. Of ``planned`` sweeps, that nobody has taken yet, the scatter is as
    expected, whatever the positions.
    """
    expected = scatter if isinstance(scatter, Scatter) else Scatter(scatter)
    system = system_of(data, terms)
    plainly = system.design @ np.linalg.lstsq(system.design, system.y, rcond=None)[0]
    tau = expected.trials(0.0 if planned else float(np.max(np.abs(system.y - plainly))))
    found = system.solve(tau)
    log_weight = expected.log_prior(tau) + (0.0 if planned else found.log_likelihood)
    weight = np.exp(log_weight - log_weight.max())
    total = weight.sum()
    kept = weight > 1e-9 * total
    bound = np.array([0.0] * len(data.names) + [t.bound or 0.0 for t in terms])
    known = system.prior_sigma**-2.0
    own = np.diag(data.covariance_steps2)
    spread, inner = _scatter_interval(tau, weight / total)
    plain = system.solve(0.0)
    return Adjustment(
        filters=data.names,
        names=data.names + tuple(t.name for t in terms),
        mixture=Mixture(
            weight=weight[kept] / weight[kept].sum(),
            mean=found.mean[kept],
            covariance=found.covariance[kept],
            response=found.response(kept),
            noise=data.covariance_steps2,
            dof=data.dof,
            reach=found.covariance[kept] * (known * bound),
        ),
        scatter=spread,
        scatter68_steps=inner,
        measuring_steps=float(np.sqrt(np.mean(own))),
        dof=len(data.ids) - int(np.sum(~np.isfinite(system.prior_sigma))),
        chi2=float(plain.chi2[0]) if np.all(own > 0) else math.nan,
    )


def sigmas_from_data(
    data: BestFocusData, terms: Sequence[Term], *, scatter_steps: float
) -> np.ndarray:
    """Standard uncertainty that the data alone would give each term; infinite where they cannot.

    The other terms keep their priors, which all must have. It rests on the design, never on the
    positions found, so that deciding by it leaves the coverage of the intervals alone.
    """
    found = system_of(data, terms).solve(scatter_steps)
    variance = np.diag(found.covariance[0])[len(data.names) :]
    prior = np.array([t.sigma for t in terms])
    # A millionth of what was known beforehand: what is learned below that is rounding.
    learned = 1 / variance - prior**-2.0
    return np.where(learned > 1e-6 / variance, 1 / np.sqrt(np.maximum(learned, 1e-300)), np.inf)


def system_of(data: BestFocusData, terms: Sequence[Term]) -> System:
    """The linear model of some sweeps: one unknown for each filter, then the terms."""
    n, names = len(data.ids), data.names
    filters = np.array(data.filters)[:, None] == np.array(names)
    # A billionth on the diagonal: perfectly correlated fits are no reason to give up.
    own, noise = 1e-9 * np.eye(n), data.covariance_steps2
    return System(
        y=data.position_steps,
        design=np.column_stack([filters, *(t.column for t in terms)]).astype(float),
        prior_mean=np.array([0.0] * len(names) + [t.prior_value for t in terms]),
        prior_sigma=np.array([np.inf] * len(names) + [t.sigma for t in terms]),
        axes=own_axes(
            noise + own * max(float(np.mean(np.diag(noise))), 1e-12),
            (data.exposure_set[:, None] == data.exposure_set) + own,
        ),
    )


def _scatter_interval(tau: np.ndarray, weight: np.ndarray) -> tuple[Interval, tuple[float, float]]:
    """Median and half-widths of the scatter's own distribution; its 68.3 % interval."""
    cumulative = np.cumsum(weight) - weight / 2
    ends = [p for inside in (P68, P95, P997) for p in ((1 - inside) / 2, (1 + inside) / 2)]
    middle, *points = np.interp([0.5, *ends], cumulative, tau).tolist()
    half = [(high - low) / 2 for low, high in zip(points[::2], points[1::2], strict=True)]
    return Interval(middle, *half), (points[0], points[1])
