"""One weighted least-squares adjustment of all sweeps, averaged over the run-to-run scatter."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from .mixture import Interval, Mixture
from .sweeps import BestFocusData

ROUNDING = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Term:
    """One unknown beside the filters: its column, and what is known of it beforehand.

    Without a ``prior_sigma`` and a ``bound`` the frames alone determine it. With a ``bound`` it
    is known to lie within +- that, and no more.
    """

    name: str
    column: np.ndarray
    prior_value: float = 0.0
    prior_sigma: float | None = None
    bound: float | None = None

    @property
    def sigma(self) -> float | None:
        """Of what is known beforehand; a bound spreads evenly (JCGM 100:2008, 4.3.7)."""
        return self.prior_sigma if self.bound is None else self.bound / math.sqrt(3)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Adjustment:
    """Result of the adjustment.

    ``names`` are the filters followed by the terms; ``mixture`` holds all of them.
    ``scatter_steps`` is the restricted-likelihood estimate of the run-to-run scatter and
    ``reml_*`` are the estimates at that one value, the textbook answer; the stated uncertainties
    come from ``mixture``, which also carries that the scatter itself is poorly known.
    """

    filters: tuple[str, ...]
    names: tuple[str, ...]
    mixture: Mixture
    scatter: Interval
    scatter_steps: float
    reml_values: np.ndarray
    reml_covariance: np.ndarray
    residual_steps: np.ndarray
    dof: int
    chi2: float
    """Of the residuals against the fits' own covariance, without scatter; NaN where that is 0."""

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
    data: BestFocusData, terms: tuple[Term, ...] = (), *, scatter_scale_steps: float
) -> Adjustment:
    """Solve best focus = filter + terms for all sweeps at once.

    The covariance is that of the fits plus an unknown run-to-run variance tau^2, common to the
    channels of the same exposures. Everything is averaged over tau, weighted by its restricted
    likelihood (Patterson & Thompson 1971, Biometrika 58, 545) and by what is common among
    telescopes: its logarithm spreads normally, by a factor of e either way, about
    ``scatter_scale_steps``. With no repeats at all tau is taken from there; a few repeats already
    outweigh it.

    Parameters
    ----------
    data : BestFocusData
        At least one sweep.
    terms : tuple of Term
        Unknowns beside the filters; together with them they must be determined.
    scatter_scale_steps : float
        Median of the run-to-run scatter among telescopes, steps, > 0.

    Raises
    ------
    ValueError
        If the unknowns are not determined by the data and the priors.
    """
    if scatter_scale_steps <= 0:
        msg = f"'scatter_scale_steps' must be positive, got {scatter_scale_steps}"
        raise ValueError(msg)
    system = _system(data, terms)
    ceiling = system.residual_ceiling()
    tau = _trial_scatter(scatter_scale_steps, ceiling)
    restricted, mean, covariance, response = system.solve(tau)
    # No Jacobian: tau is evenly spaced in its logarithm, in which the prior is normal.
    log_weight = restricted - 0.5 * np.log(tau / scatter_scale_steps) ** 2
    weight = np.exp(log_weight - log_weight.max())
    weight /= weight.sum()
    n, kept = len(data.ids), weight > 1e-9
    mixture = Mixture(
        weight[kept] / weight[kept].sum(),
        mean[kept],
        covariance[kept],
        response[kept][:, :, :n],
        np.diag(data.covariance_steps2),
        data.dof,
        response[kept][:, :, n:] * [t.bound or 0.0 for t in terms if t.sigma is not None],
    )
    best_tau = system.reml_scatter(tau, restricted)
    _, at_best, covariance_at_best, _ = system.solve(np.array([best_tau]))
    return Adjustment(
        filters=data.names,
        names=data.names + tuple(t.name for t in terms),
        mixture=mixture,
        scatter=_scatter_interval(tau, weight),
        scatter_steps=best_tau,
        reml_values=at_best[0],
        reml_covariance=covariance_at_best[0],
        residual_steps=data.position_steps - system.design[:n] @ mixture.average,
        dof=system.dof,
        chi2=system.chi2(),
    )


def sigma_from_data(
    data: BestFocusData, terms: tuple[Term, ...], name: str, *, scatter_steps: float
) -> float:
    """Standard uncertainty that the data alone would give one term; infinite where they cannot.

    The other terms keep their priors. It rests on the design, never on the positions found, so
    that deciding by it leaves the coverage of the intervals alone.
    """
    free = tuple(t if t.name != name else Term(name=t.name, column=t.column) for t in terms)
    system = _system(data, free)
    covariance = system.noise + scatter_steps**2 * system.together
    root = np.linalg.cholesky(covariance)
    whitened = np.linalg.solve(root, system.design)
    column = len(data.names) + [t.name for t in terms].index(name)
    rest = np.delete(whitened, column, axis=1)
    fitted = rest @ np.linalg.lstsq(rest, whitened[:, column], rcond=None)[0]
    left = float(np.linalg.norm(whitened[:, column] - fitted))
    # 1e-6 of the column: what is left below that is rounding.
    return 1 / left if left > 1e-6 * np.linalg.norm(whitened[:, column]) else math.inf


def offset_sigmas(
    data: BestFocusData, terms: tuple[Term, ...], *, scatter_steps: float
) -> np.ndarray:
    """Standard uncertainties that a design gives the offsets from the first filter, steps."""
    system = _system(data, terms)
    inverse = np.linalg.inv(system.noise + scatter_steps**2 * system.together)
    covariance = np.linalg.inv(system.design.T @ inverse @ system.design)
    rows = np.eye(len(covariance))[1 : len(data.names)] - np.eye(len(covariance))[0]
    return np.sqrt(np.einsum("mp,pq,mq->m", rows, covariance, rows))


@dataclass(frozen=True, slots=True, eq=False)
class _System:
    """Observations and priors stacked: y = design @ parameters + noise (+ tau^2 together)."""

    y: np.ndarray
    design: np.ndarray
    noise: np.ndarray
    together: np.ndarray

    @property
    def dof(self) -> int:
        return len(self.y) - self.design.shape[1]

    def solve(self, tau: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Log restricted likelihood, estimates, covariance and response for each tau."""
        matrices = self.noise + (tau**2)[:, None, None] * self.together
        inverse = np.linalg.inv(matrices)
        normal = self.design.T @ inverse @ self.design
        covariance = np.linalg.inv(normal)
        response = covariance @ self.design.T @ inverse
        mean = response @ self.y
        residual = self.y - mean @ self.design.T
        squares = np.einsum("gi,gij,gj->g", residual, inverse, residual)
        logs = np.linalg.slogdet(matrices)[1] + np.linalg.slogdet(normal)[1]
        return -0.5 * (logs + squares), mean, covariance, response

    def residual_ceiling(self) -> float:
        """Largest residual of the unweighted solution: no scatter exceeds it by much."""
        solution = np.linalg.lstsq(self.design, self.y, rcond=None)[0]
        return float(np.max(np.abs(self.y - self.design @ solution)))

    def reml_scatter(self, tau: np.ndarray, restricted: np.ndarray) -> float:
        """Tau of the largest restricted likelihood, 0 if that falls from the start."""
        if self.dof < 1:
            return float(tau[0])
        top = int(np.argmax(restricted))
        if top == 0:
            return float(tau[0])
        around = np.log(tau[[top - 1, min(top + 1, len(tau) - 1)]])
        found = minimize_scalar(
            lambda x: -float(self.solve(np.exp([x]))[0][0]),
            bounds=tuple(around),
            method="bounded",
            options={"xatol": 1e-10},
        )
        return float(np.exp(found.x))

    def chi2(self) -> float:
        if np.any(np.diag(self.noise) <= 0):
            return float("nan")
        inverse = np.linalg.inv(self.noise)
        normal = self.design.T @ inverse @ self.design
        solution = np.linalg.solve(normal, self.design.T @ inverse @ self.y)
        residual = self.y - self.design @ solution
        return float(residual @ inverse @ residual)


def _system(data: BestFocusData, terms: tuple[Term, ...]) -> _System:
    n = len(data.ids)
    names = data.names
    design = np.zeros((n, len(names) + len(terms)))
    design[np.arange(n), [names.index(f) for f in data.filters]] = 1
    for j, term in enumerate(terms):
        design[:, len(names) + j] = term.column
    known = [(len(names) + j, t) for j, t in enumerate(terms) if t.sigma is not None]
    # Prior knowledge enters as further observations of the terms themselves.
    prior_rows = np.zeros((len(known), design.shape[1]))
    prior_rows[np.arange(len(known)), [j for j, _ in known]] = 1
    noise = np.zeros((n + len(known),) * 2)
    # A billionth on the diagonal: perfectly correlated fits are no reason to give up.
    own = np.eye(n) * ROUNDING * np.mean(np.diag(data.covariance_steps2))
    noise[:n, :n] = data.covariance_steps2 + own
    noise[range(n, n + len(known)), range(n, n + len(known))] = [
        t.sigma**2 for _, t in known if t.sigma is not None
    ]
    together = np.zeros_like(noise)
    together[:n, :n] = data.exposure_set[:, None] == data.exposure_set
    together[:n, :n] += ROUNDING * np.eye(n)
    return _System(
        np.concatenate([data.position_steps, [t.prior_value for _, t in known]]),
        np.vstack([design, prior_rows]),
        noise,
        together,
    )


def _trial_scatter(scale: float, ceiling: float) -> np.ndarray:
    """64 trial values of tau, evenly spaced in its logarithm."""
    low = 0.02 * min(scale, ceiling) if ceiling > 1e-9 * scale else 0.02 * scale
    return np.geomspace(low, 40 * max(scale, ceiling), 64)


def _scatter_interval(tau: np.ndarray, weight: np.ndarray) -> Interval:
    """Median and half-widths of the scatter's own distribution."""
    cumulative = np.cumsum(weight) - weight / 2
    points = np.interp([0.5, 0.1587, 0.8413, 0.025, 0.975], cumulative, tau)
    return Interval(
        float(points[0]), float(points[2] - points[1]) / 2, float(points[4] - points[3]) / 2
    )
