"""Sudden changes: slips between two sweeps, and filters that stand elsewhere on one night.

Every explanation of a night is the same adjustment with or without a few more columns. A slip
between two sweeps is a column that steps from -1 to 0 there (so that the filters are meant after
it), a filter that stands elsewhere on one night a column that is 1 in those sweeps; the size of
either is N(0, S^2). With p(y | tau, K) the likelihood of ``linear`` and p(tau) that of the scatter,

    log odds = ln of  sum over tau of p(tau) p(y | tau, K)
                     -------------------------------------  +  ln of  chance of K
                       sum over tau of p(tau) p(y | tau)

so nothing is fitted twice: all explanations share one solution. By Markov's inequality at most
chance (1 - p) / p of steady nights are called changed at probability p: 0.3 % at 95 %.

Some orders hide a slip: where every filter is swept twice, in one order, under even cooling, a slip
half-way and a steeper slope are the same numbers. There only what tubes do tells them apart
(``plausible_terms``). A slope steeper than that leaves the two as likely as each other.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
from scipy.special import logsumexp

from ...estimate import Estimate
from ...setup import Setup
from ..compared import Slip
from .adjustment import Adjustment, Scatter, Term, adjust, averaged, system_of
from .sweeps import BestFocusData
from .terms import choose_terms, expected_scatter, plausible_terms

#: Chance that a night holds a change before looking; the size of a change has half the spread of
#: the largest play (common practice: slips are as large as play, 0 to 200 steps).
CHANCE = 0.05
SIZE_STEPS = 100.0
#: A change is said at this probability. From the other on, four times what it was before looking,
#: offsets are averaged over whether there was one.
SURE, DOUBTED = 0.95, 0.2
#: A slip hidden behind a slope is in doubt from this probability on: the slope is then 2.3 times
#: that of an aluminium tube.
HIDDEN_DOUBTED = 0.01
#: Explanations less likely than this are left out.
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
    in_doubt: Slip | None = None
    """A change that may be a slip or a slope that no tube has; offsets hold both."""


class _Candidate(NamedTuple):
    """One column that a change would add; ``at`` are the sweep before and after a slip."""

    kind: Literal["slip", "odd"]
    column: np.ndarray
    at: tuple[int, int]


def adjusted_sweeps(data: BestFocusData, setup: Setup) -> tuple[Adjustment, Changes]:
    """The adjustment with the terms that the sweeps allow, and what changed suddenly."""
    terms = choose_terms(data, setup)
    found = _with_changes(data, terms, setup)
    ways = [term for term in terms if term.name == "direction"]
    if not ways or not np.any(data.direction == 0):
        return found
    # Sweeps whose direction nobody knows are widened by half the play, which is known only now; a
    # bound on it counts in full.
    play = ways[0].bound if ways[0].source == "bound" else abs(found[0].term("direction").value)
    extra = np.diag((data.direction == 0) * (play / 2) ** 2)
    widened = replace(data, covariance_steps2=data.covariance_steps2 + extra)
    return _with_changes(widened, terms, setup)


def _with_changes(
    data: BestFocusData, terms: tuple[Term, ...], setup: Setup
) -> tuple[Adjustment, Changes]:
    """Adjust all sweeps, with a column for each sudden change that they show.

    The adjustment is the average over all likely explanations, each with its probability. A slip
    that may be a slope is as likely as none; where it is not needed the terms stay as free as the
    frames leave them. No slip is denied where one would be swallowed; offsets hold wherever it may
    have been, so that only the filters lose that depend on it.
    """
    scatter, plausible = expected_scatter(setup), plausible_terms(data, terms, setup)
    plain = adjust(data, terms, scatter=scatter)
    candidates = [*_cuts(data), *_odd_filters(data)]
    if not candidates:
        return plain, Changes(slips=None)
    is_slip = np.array([c.kind == "slip" for c in candidates])
    steady, pairs, show = _explanations(data, plausible, scatter, candidates)
    tells = bool(is_slip.any() and show[is_slip].all())
    hidden = np.zeros(len(candidates), bool)
    if tells:
        # The slips that free terms would swallow.
        hidden = is_slip & ~_explanations(data, terms, scatter, candidates, weigh=False)[2]
    behind = float(pairs[hidden[:, None] | hidden].sum())
    level = HIDDEN_DOUBTED < behind < SURE
    if level:
        # No change and a hidden slip are equally likely, as the frames have them.
        total = 1 - steady + behind
        steady, pairs = behind / total, pairs / total
    tells = tells and not hidden.any()
    if steady > 1 - DOUBTED:
        return plain, Changes(slips=() if tells else None)
    sets: list[list[int]] = [[]] * (steady > _LEAST_SHARE)
    sets += [list(dict.fromkeys(ij)) for ij in np.argwhere(pairs > _LEAST_SHARE).tolist()]
    share = np.array([pairs[chosen[0], chosen[-1]] if chosen else steady for chosen in sets])
    share /= share.sum()
    changes = [[candidates[c] for c in chosen] for chosen in sets]
    parts = []
    for chosen, added in zip(sets, changes, strict=True):
        more = [
            Term(name=f"change {k}", column=one.column, source="setup", prior_sigma=SIZE_STEPS)
            for k, one in enumerate(added)
        ]
        # With a free slope a slip hidden behind it would be open.
        kept = plausible[: len(terms)] if hidden[chosen].any() else terms
        parts.append(adjust(data, (*kept, *more), scatter=scatter))
    whole = averaged(parts, share, terms)
    named = Changes(slips=())
    if level or steady <= 1 - SURE:
        named = _named(changes, parts, share)
    if level:
        return whole, Changes(slips=None, in_doubt=next(iter(named.slips or ()), None))
    return whole, named if named.slips or tells else replace(named, slips=None)


def _explanations(
    data: BestFocusData,
    terms: Sequence[Term],
    scatter: Scatter,
    candidates: Sequence[_Candidate],
    *,
    weigh: bool = True,
) -> tuple[float, np.ndarray, np.ndarray]:
    """Probability of no change, of each and each two of them, and whether each would show.

    Those of two stand above the diagonal of an (h, h) array, those of one alone on it; (h,) is
    whether a slip of the usual size would be seen at its place if all else were quiet. That alone
    costs less (``weigh``).
    """
    system, tau = system_of(data, terms), scatter.trials(SIZE_STEPS)
    solved = system.solve(tau)
    base = solved.log_likelihood + scatter.log_prior(tau)
    each = float(np.log(CHANCE / len(candidates)))
    likelihood: np.ndarray | float = -np.inf
    quiet, own = [], []
    columns = np.stack([*(c.column for c in candidates), system.left], axis=1)
    for log, seen in zip(base, solved.unexplained(columns), strict=True):
        if weigh:
            gain = pair_gains(seen[:-1, :-1], seen[:-1, -1], size=SIZE_STEPS)
            likelihood = np.logaddexp(likelihood, log + gain)
        own.append(seen.diagonal()[:-1].copy())  # a view would keep them all
        quiet.append(log + 0.5 * seen[-1, -1])
    odds = likelihood - logsumexp(base) + (2 - np.eye(len(candidates))) * each
    top = max(0.0, float(odds.max()))
    pairs, steady = np.triu(np.exp(odds - top)), np.exp(-top)
    total = steady + pairs.sum()
    # For y = S k the explained part is S^2 A^2 / (A + 1 / S^2) of S^2 A in all, A = k' P k.
    whole = SIZE_STEPS**2 * np.array(own)
    rest = np.array(quiet)[:, None] - 0.5 * whole
    more = 0.5 * (whole**2 / (whole + 1) - np.log1p(whole))
    shown = logsumexp(rest + more, axis=0) - logsumexp(rest, axis=0) + each
    return float(steady / total), pairs / total, shown > np.log(SURE / (1 - SURE))


def pair_gains(inner: np.ndarray, toward: np.ndarray, *, size: float) -> np.ndarray:
    """By how much ln p rises if two columns join the design, each of size N(0, size^2).

    With A = K' P K and d = K' P (y - X m) for the columns K of a set (``unexplained``) it is
    (d' (A + I / size^2)^-1 d - ln|I + size^2 A|) / 2.

    A (k, k) and d (k,) are for all columns there are; the answer (k, k) is for each two of them, on
    the diagonal for each alone.
    """
    own = np.diagonal(inner) + size**-2.0
    root = np.sqrt(own)
    pull, price = toward / root, 0.5 * np.log(own * size**2)
    shared = inner / root[:, None] / root
    np.fill_diagonal(shared, 0.0)
    left = 1 - shared**2
    met = pull[:, None] ** 2 + pull**2 - 2 * shared * pull[:, None] * pull
    found = 0.5 * (met / left - np.log(left)) - price[:, None] - price
    np.fill_diagonal(found, 0.5 * pull**2 - price)
    return found


def _cuts(data: BestFocusData) -> Iterator[_Candidate]:
    """A slip between any two exposures that follow one another in one night."""
    if not np.isfinite(data.time_mjd).all():
        return
    for before, after in pairwise(np.argsort(data.time_mjd, kind="stable").tolist()):
        here = data.night == data.night[after]
        if here[before] and data.exposure_set[before] != data.exposure_set[after]:
            earlier = here & (data.time_mjd < data.time_mjd[after])
            yield _Candidate("slip", -earlier.astype(float), (before, after))


def _odd_filters(data: BestFocusData) -> Iterator[_Candidate]:
    """A filter on one of several nights on which it was swept beside another one."""
    filters = np.array(data.filters)
    for name in data.names:
        nights = np.unique(data.night[filters == name])
        for night in nights if nights.size > 1 else ():
            mine = (filters == name) & (data.night == night)
            if np.any((data.night == night) & ~mine):
                first = int(np.argmax(mine))
                yield _Candidate("odd", mine.astype(float), (first, first))


def _named(
    changes: Sequence[Sequence[_Candidate]], parts: Sequence[Adjustment], share: np.ndarray
) -> Changes:
    """The changes of the likeliest explanation, placed and sized by all of its kind."""
    best = max((i for i, c in enumerate(changes) if c), key=lambda i: share[i])
    kinds = [c.kind for c in changes[best]]
    alike = [i for i, chosen in enumerate(changes) if [c.kind for c in chosen] == kinds]
    weight = share[alike] / share[alike].sum()
    sizes = averaged([parts[i] for i in alike], weight, parts[best].terms)
    data, slips, odd = sizes.data, [], []
    for k, kind in enumerate(kinds):
        steps = sizes.term(f"change {k}").estimate
        if kind == "slip":
            slips.append(_slip(data, np.array([changes[i][k].at for i in alike]), weight, steps))
        else:
            at = changes[best][k].at[0]
            odd.append(Odd(filter=data.filters[at], night=int(data.night[at]) + 1, steps=steps))
    return Changes(slips=tuple(slips), odd=tuple(odd))


def _slip(data: BestFocusData, at: np.ndarray, weight: np.ndarray, steps: Estimate) -> Slip:
    """A slip between the two sweeps that surely lie on either side of it."""
    order = np.argsort(data.time_mjd, kind="stable")
    ids, place = [data.ids[i] for i in order], np.argsort(order)
    ranked = np.argsort(-weight)
    needed = int(np.searchsorted(np.cumsum(weight[ranked]), SURE)) + 1
    likely = place[at[ranked[:needed]]]
    first, last = int(likely[:, 0].min()), int(likely[:, 1].max())
    return Slip(
        after_sweep=ids[first],
        before_sweep=ids[last],
        steps=steps,
        between=tuple(ids[first + 1 : last]),
    )
