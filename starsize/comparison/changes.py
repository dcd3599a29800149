"""Sudden changes: slips between two sweeps, and filters that stand elsewhere on one night.

Every explanation of a night is the same adjustment with or without a few more columns. A slip
between two sweeps is a column that steps from -1 to 0 there (so that the filters are meant after
it), a filter that stands elsewhere on one night a column that is 1 in those sweeps; the size of
either is N(0, S^2). With p(y | tau, K) the likelihood of ``linear`` and p(tau) that of the scatter,

    log odds = ln of  sum over tau of p(tau) p(y | tau, K)
                     -------------------------------------  +  ln of  chance of K
                       sum over tau of p(tau) p(y | tau)

so nothing is searched for and nothing is fitted twice: all explanations share one solution. By
Markov's inequality steady nights are called changed at most in (1 - p) chance / p of cases.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations, pairwise
from typing import Literal

import numpy as np
from scipy.special import logsumexp

from ..estimate import Estimate
from .adjustment import Adjustment, Scatter, Term, adjust, system_of
from .compared import Slip
from .linear import gains
from .mixture import Interval, mixed
from .sweeps import BestFocusData

Kind = Literal["slip", "odd"]

#: Chance that a night holds a change before looking; the size of a change has half the spread of
#: the largest play (common practice: slips are as large as play, 0 to 200 steps).
CHANCE = 0.05
SIZE_STEPS = 100.0
#: A change is said at this probability.
SURE = 0.95
#: Explanations less likely than this share of all with a change are left out.
_LEAST_SHARE = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Odd:
    """A filter that stands ``steps`` off its other nights on one night, counted from 1."""

    filter: str
    night: int
    steps: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Changes:
    """What changed suddenly; ``slips`` is None where no slip between some sweeps would show."""

    slips: tuple[Slip, ...] | None
    odd: tuple[Odd, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """One column that a change would add; ``at`` are the sweep before and after a slip."""

    kind: Kind
    column: np.ndarray
    at: tuple[int, int]


def with_changes(
    data: BestFocusData,
    terms: Sequence[Term],
    *,
    scatter: Scatter,
    allowance: Sequence[Term] = (),
) -> tuple[Adjustment, Changes]:
    """Adjust the sweeps, each side of a sudden change for itself where there is one.

    Where a change is sure but not its place, the adjustment is averaged over the places, so that
    only the filters between them lose.

    Parameters
    ----------
    data, terms, scatter
        As for ``adjust``.
    allowance : sequence of Term
        Known only to a bound and allowed for while looking for changes: a drift in time, say.
    """
    plain = adjust(data, terms, scatter=scatter)
    candidates = [*_cuts(data), *_odd_filters(data)]
    if not candidates:
        return plain, Changes(slips=None)
    sets, probability, tells = _explanations(data, (*terms, *allowance), scatter, candidates)
    if probability[0] > 1 - SURE:
        return plain, Changes(slips=() if tells else None)
    best = sets[int(np.argmax(probability[1:]))]
    alike = [
        (chosen, p)
        for chosen, p in zip(sets, probability[1:], strict=True)
        if len(chosen) == len(best) and p > _LEAST_SHARE
    ]
    share = np.array([p for _, p in alike]) / sum(p for _, p in alike)
    names = [f"change {k + 1}" for k in range(len(best))]
    parts = []
    for chosen, _ in alike:
        more = [
            Term(name=name, column=candidates[i].column, prior_sigma=SIZE_STEPS)
            for name, i in zip(names, chosen, strict=True)
        ]
        parts.append(adjust(data, (*terms, *more), scatter=scatter))
    leading = parts[int(np.argmax(share))]
    whole = replace(leading, mixture=mixed([p.mixture for p in parts], share))
    kinds = [candidates[i].kind for i in best]
    same = [[candidates[i].kind for i in chosen] == kinds for chosen, _ in alike]
    places = [chosen for (chosen, _), s in zip(alike, same, strict=True) if s]
    found = [
        _named(data, whole.term(name), [candidates[c[k]] for c in places], share[same])
        for k, name in enumerate(names)
    ]
    slips = tuple(c for c in found if isinstance(c, Slip))
    return whole, Changes(
        slips=slips if slips or tells else None,
        odd=tuple(c for c in found if isinstance(c, Odd)),
    )


def _explanations(
    data: BestFocusData,
    terms: Sequence[Term],
    scatter: Scatter,
    candidates: Sequence[_Candidate],
) -> tuple[list[tuple[int, ...]], np.ndarray, bool]:
    """Sets of one or two columns, the probability of none and of each set, and if slips show."""
    system = system_of(data, terms)
    tau = scatter.trials(SIZE_STEPS)
    found = system.solve(tau)
    base = found.log_likelihood + scatter.log_prior(tau)
    columns = np.stack([c.column for c in candidates], axis=1)
    weight = columns.T @ found.unexplained @ columns
    toward = columns.T @ found.unexplained @ system.left
    count = len(candidates)
    each = np.log(CHANCE / count)
    sets: list[tuple[int, ...]] = []
    logs = [0.0]
    for size in (1, 2):
        some = list(combinations(range(count), size))
        if not some:
            continue
        more = gains(weight, toward, np.array(some), size=SIZE_STEPS)
        odds = logsumexp(base[:, None] + more, axis=0) - logsumexp(base) + size * each
        sets += some
        logs += odds.tolist()
    probability = np.exp(np.array(logs) - logsumexp(logs))
    slips = [i for i, c in enumerate(candidates) if c.kind == "slip"]
    own = np.diagonal(weight, axis1=1, axis2=2)[:, slips]
    left = np.einsum("i,gij,j->g", system.left, found.unexplained, system.left)
    tells = bool(slips) and _would_show(base + 0.5 * left, own, each)
    return sets, probability, tells


def _would_show(base: np.ndarray, own: np.ndarray, each: float) -> bool:
    """True if a slip of the usual size would be seen wherever it lay, if all else were quiet.

    For y = S k the explained part is S^2 A^2 / (A + 1 / S^2) of S^2 A in all, A = k' P k.
    """
    whole = SIZE_STEPS**2 * own
    rest = base[:, None] - 0.5 * whole
    more = 0.5 * (whole**2 / (whole + 1) - np.log1p(whole))
    odds = logsumexp(rest + more, axis=0) - logsumexp(rest, axis=0) + each
    return bool(np.all(odds > np.log(SURE / (1 - SURE))))


def _cuts(data: BestFocusData) -> list[_Candidate]:
    """A slip between any two exposures that follow one another in one night."""
    if not np.isfinite(data.time_mjd).all():
        return []
    order = np.argsort(data.time_mjd, kind="stable")
    found = []
    for before, after in pairwise(order):
        same_set = data.exposure_set[before] == data.exposure_set[after]
        if same_set or data.night[before] != data.night[after]:
            continue
        earlier = data.time_mjd < data.time_mjd[after]
        here = data.night == data.night[after]
        found.append(_Candidate("slip", -(earlier & here).astype(float), (int(before), int(after))))
    return found


def _odd_filters(data: BestFocusData) -> list[_Candidate]:
    """A filter on one of several nights on which it was swept beside another one."""
    filters, found = np.array(data.filters), []
    for name in data.names:
        nights = np.unique(data.night[filters == name])
        for night in nights if nights.size > 1 else ():
            mine = (filters == name) & (data.night == night)
            if np.any((data.night == night) & ~mine):
                first = int(np.flatnonzero(mine)[0])
                found.append(_Candidate("odd", mine.astype(float), (first, first)))
    return found


def _named(
    data: BestFocusData, steps: Interval, places: Sequence[_Candidate], share: np.ndarray
) -> Slip | Odd:
    size = Estimate(steps.value, steps.sigma)
    if places[0].kind == "odd":
        at = places[int(np.argmax(share))].at[0]
        return Odd(filter=data.filters[at], night=int(data.night[at]) + 1, steps=size)
    order = np.argsort(data.time_mjd, kind="stable").tolist()
    ranked = np.argsort(-share)
    needed = int(np.searchsorted(np.cumsum(share[ranked]) / share.sum(), SURE)) + 1
    likely = [places[i].at for i in ranked[:needed]]
    first = min(order.index(before) for before, _ in likely)
    last = max(order.index(after) for _, after in likely)
    return Slip(
        after_sweep=data.ids[order[first]],
        before_sweep=data.ids[order[last]],
        steps=size,
        between=tuple(data.ids[i] for i in order[first + 1 : last]),
    )
