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
from typing import Literal

import numpy as np
from scipy.special import logsumexp

from ...estimate import Estimate
from ...setup import Setup
from ..compared import Slip
from ..linear import pair_gains
from .adjustment import Adjustment, Scatter, Term, adjust, system_of
from .mixture import mixed
from .sweeps import BestFocusData
from .terms import TermChoice, plausible_terms

Kind = Literal["slip", "odd"]

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


@dataclass(frozen=True, slots=True, eq=False)
class _Candidate:
    """One column that a change would add; ``at`` are the sweep before and after a slip."""

    kind: Kind
    column: np.ndarray
    at: tuple[int, int]


def with_changes(
    data: BestFocusData, choice: TermChoice, setup: Setup
) -> tuple[Adjustment, Changes]:
    """Adjust the sweeps, each side of a sudden change for itself where there is one.

    Where it is not sure whether or where there was one, everything is averaged over what there may
    have been, so that only the filters lose that depend on it.
    """
    terms, scatter, plausible = choice.terms, choice.scatter, plausible_terms(data, choice, setup)
    plain = adjust(data, terms, scatter=scatter)
    candidates = [*_cuts(data), *_odd_filters(data)]
    if not candidates:
        return plain, Changes(slips=None)
    each = float(np.log(CHANCE / len(candidates)))
    is_slip = np.array([c.kind == "slip" for c in candidates])
    steady, pairs, show = _explanations(*_read(data, plausible, scatter, candidates), each)
    tells = bool(is_slip.any() and show[is_slip].all())
    hidden = np.zeros(len(candidates), bool)
    if tells:
        # The slips that free terms would swallow.
        hidden = is_slip & ~_shown(*_read(data, terms, scatter, candidates), each)
    behind = float(pairs[hidden[:, None] | hidden].sum())
    level = HIDDEN_DOUBTED < behind < SURE
    if level:
        # No change and a hidden slip are equally likely, as the frames have them.
        total = 1 - steady + behind
        steady, pairs = behind / total, pairs / total
    tells = tells and not hidden.any()
    if steady > 1 - DOUBTED:
        return plain, Changes(slips=() if tells else None)
    places = [tuple(dict.fromkeys(ij)) for ij in np.argwhere(pairs > _LEAST_SHARE).tolist()]
    sets = [()] * (steady > _LEAST_SHARE) + places
    share = np.array([pairs[chosen[0], chosen[-1]] if chosen else steady for chosen in sets])
    share /= share.sum()
    changes = [[candidates[c] for c in chosen] for chosen in sets]
    # With a free slope a slip hidden behind it would be open.
    names = {t.name for t in terms}
    usual = [t for t in plausible if t.name in names]
    parts = []
    for chosen, added in zip(sets, changes, strict=True):
        more = [
            Term(name=f"change {k}", column=change.column, prior_sigma=SIZE_STEPS)
            for k, change in enumerate(added)
        ]
        kept = usual if hidden[list(chosen)].any() else terms
        parts.append(adjust(data, (*kept, *more), scatter=scatter))
    whole = replace(
        parts[int(np.argmax(share))],
        names=plain.names,
        mixture=mixed([p.mixture for p in parts], share, len(plain.names)),
    )
    found: list[Slip | Odd] = []
    if level or steady <= 1 - SURE:
        found = _named(data, changes, parts, share)
    slips = tuple(c for c in found if isinstance(c, Slip))
    if level:
        return whole, Changes(slips=None, in_doubt=slips[0] if slips else None)
    return whole, Changes(
        slips=slips if slips or tells else None,
        odd=tuple(c for c in found if isinstance(c, Odd)),
    )


def _explanations(
    base: np.ndarray, read: Iterator[np.ndarray], each: float
) -> tuple[float, np.ndarray, np.ndarray]:
    """Probability of no change, of each and each two of them, and whether each would show.

    Those of two stand above the diagonal of an (h, h) array, those of one alone on it.
    """
    quiet, own, likelihood = [], [], -np.inf
    for log, seen in zip(base, read, strict=True):
        gain = pair_gains(seen[:-1, :-1], seen[:-1, -1], size=SIZE_STEPS)
        likelihood = np.logaddexp(likelihood, log + gain)
        own.append(seen.diagonal()[:-1].copy())
        quiet.append(log + 0.5 * seen[-1, -1])
    odds = likelihood - logsumexp(base) + (2 - np.eye(len(own[0]))) * each
    top = max(0.0, float(odds.max()))
    pairs, steady = np.triu(np.exp(odds - top)), np.exp(-top)
    total = steady + pairs.sum()
    return float(steady / total), pairs / total, _would_show(np.array(quiet), np.array(own), each)


def _read(
    data: BestFocusData, terms: Sequence[Term], scatter: Scatter, candidates: Sequence[_Candidate]
) -> tuple[np.ndarray, Iterator[np.ndarray]]:
    """(G,) ln p and, for each scatter, K' P K of the candidates' columns and then the data."""
    system, tau = system_of(data, terms), scatter.trials(SIZE_STEPS)
    found = system.solve(tau)
    columns = np.stack([*(c.column for c in candidates), system.left], axis=1)
    return found.log_likelihood + scatter.log_prior(tau), found.unexplained(columns)


def _shown(base: np.ndarray, read: Iterator[np.ndarray], each: float) -> np.ndarray:
    """(h,) bool: which slips of the usual size would be seen."""
    own = np.array([seen.diagonal().copy() for seen in read])  # a view would keep them all
    return _would_show(base + 0.5 * own[:, -1], own[:, :-1], each)


def _would_show(base: np.ndarray, own: np.ndarray, each: float) -> np.ndarray:
    """(h,) bool: would a slip of the usual size be seen at h places, if all else were quiet.

    For y = S k the explained part is S^2 A^2 / (A + 1 / S^2) of S^2 A in all, A = k' P k.
    """
    whole = SIZE_STEPS**2 * own
    rest = base[:, None] - 0.5 * whole
    more = 0.5 * (whole**2 / (whole + 1) - np.log1p(whole))
    odds = logsumexp(rest + more, axis=0) - logsumexp(rest, axis=0) + each
    return odds > np.log(SURE / (1 - SURE))


def _cuts(data: BestFocusData) -> list[_Candidate]:
    """A slip between any two exposures that follow one another in one night."""
    if not np.isfinite(data.time_mjd).all():
        return []
    found = []
    for before, after in pairwise(np.argsort(data.time_mjd, kind="stable").tolist()):
        here = data.night == data.night[after]
        if here[before] and data.exposure_set[before] != data.exposure_set[after]:
            earlier = here & (data.time_mjd < data.time_mjd[after])
            found.append(_Candidate("slip", -earlier.astype(float), (before, after)))
    return found


def _odd_filters(data: BestFocusData) -> list[_Candidate]:
    """A filter on one of several nights on which it was swept beside another one."""
    filters, found = np.array(data.filters), []
    for name in data.names:
        nights = np.unique(data.night[filters == name])
        for night in nights if nights.size > 1 else ():
            mine = (filters == name) & (data.night == night)
            if np.any((data.night == night) & ~mine):
                first = int(np.argmax(mine))
                found.append(_Candidate("odd", mine.astype(float), (first, first)))
    return found


def _named(
    data: BestFocusData,
    changes: Sequence[Sequence[_Candidate]],
    parts: Sequence[Adjustment],
    share: np.ndarray,
) -> list[Slip | Odd]:
    """The changes of the likeliest explanation, placed and sized by all of its kind."""
    best = max((i for i, c in enumerate(changes) if c), key=lambda i: share[i])
    kinds = [c.kind for c in changes[best]]
    alike = [i for i, chosen in enumerate(changes) if [c.kind for c in chosen] == kinds]
    weight = share[alike] / share[alike].sum()
    mine = [parts[i].mixture for i in alike]
    sizes = replace(parts[best], mixture=mixed(mine, weight, len(parts[best].names)))
    found: list[Slip | Odd] = []
    for k, kind in enumerate(kinds):
        size = sizes.term(f"change {k}").estimate
        if kind == "slip":
            found.append(_slip(data, [changes[i][k].at for i in alike], weight, size))
        else:
            at = changes[best][k].at[0]
            found.append(Odd(filter=data.filters[at], night=int(data.night[at]) + 1, steps=size))
    return found


def _slip(
    data: BestFocusData, places: Sequence[tuple[int, int]], weight: np.ndarray, size: Estimate
) -> Slip:
    """A slip between the two sweeps that surely lie on either side of it."""
    order = np.argsort(data.time_mjd, kind="stable").tolist()
    ranked = np.argsort(-weight)
    needed = int(np.searchsorted(np.cumsum(weight[ranked]), SURE)) + 1
    likely = [places[i] for i in ranked[:needed]]
    first = min(order.index(before) for before, _ in likely)
    last = max(order.index(after) for _, after in likely)
    return Slip(
        after_sweep=data.ids[order[first]],
        before_sweep=data.ids[order[last]],
        steps=size,
        between=tuple(data.ids[i] for i in order[first + 1 : last]),
    )
