"""Find the frames of a sweep that may be wrecked."""

from collections.abc import Iterator
from dataclasses import dataclass, fields

import numpy as np

from .batch import Batch
from .family import Family
from .gauss_newton import Prior, Solution
from .guess import parabola
from .mixture import normalised
from .wrecks import solve_sets, start_without, wreck_log_odds

FEW = np.array([5, 10, 14])
"""Levels of the jitter that are enough to rank the frames."""
SUSPECTS = 3
"""Frames looked at closely in one round."""
KEPT = 2
"""Sets kept beside those of one round, where there were several."""
ROUNDS = 3
LEAST_LEFT = 4
"""Frames that must stay unsuspected."""
LEFT_BY_TWO = 5
"""Frames that must be left where two are suspected at once."""
MISFIT = 0.03
"""By how much of its radius a star departs from a parabola in its square."""
BAD = 2.0
"""Two frames are suspected at once where without any one the misfit per freedom still exceeds this,
and where without both it is smaller by this factor."""


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Sets of suspects worth a full fit: (k, h, n) bool, log odds (k, h), and the fits."""

    sets: np.ndarray
    log_odds: np.ndarray
    solution: Solution

    def says(self) -> np.ndarray:
        """Ln evidence of each set, prior odds in: (k, h)."""
        return np.logaddexp.reduce(self.solution.log_evidence, axis=-1) + self.log_odds


def find_suspects(batch: Batch, family: Family, prior: Prior) -> Suspicion:
    """Find the frames that may be wrecked, and the likeliest ways to read each sweep.

    One after the other from none; and, where two together look so (a cloud goes over both, or one
    at each end), from those two: neither of them alone would make the rest fit.
    """
    search = _search(batch, family, prior, base=np.zeros(batch.x.shape, bool))
    _, found = next(search)
    for rows, tried in search:
        found = _joined(found, tried, rows)
    pair, worth = _likely_pair(batch)
    known = ((found.sets & pair[:, None]).sum(axis=-1) == 2).any(axis=1)
    at = np.flatnonzero(worth & ~known)
    if at.size:
        for rows, tried in _search(batch.rows(at), family, prior.rows(at), base=pair[at]):
            found = _joined(found, tried, at[rows])
    return found


def _search(
    batch: Batch, family: Family, prior: Prior, *, base: np.ndarray
) -> Iterator[tuple[np.ndarray, Suspicion]]:
    """From a base of suspects, greedily: each round believes at most one more.

    Yields which sweeps took part in a round, and what it tried.
    """
    base, rows = base.copy(), np.arange(batch.x.shape[0])
    free = batch.present.sum(axis=-1) - LEAST_LEFT
    for _ in range(1 + ROUNDS):
        tried, pick = _round(
            batch.rows(rows), family, prior.rows(rows), base=base[rows], free=free[rows]
        )
        yield rows, tried
        # Only the sweeps that named a frame go on; they start over from the larger base.
        grown = (pick > 0) & (free[rows] > 0)
        base[rows[grown]] = tried.sets[grown, pick[grown]]
        rows = rows[grown]
        if rows.size == 0:
            return


def _joined(found: Suspicion, tried: Suspicion, rows: np.ndarray) -> Suspicion:
    """The likeliest sets of both, each once; ``tried`` is of some sweeps only.

    What was believed in an earlier round stays beside what came later: without it the answer would
    look surer than it is.
    """
    old, new = _arrays(found), _arrays(tried)
    same = (tried.sets[:, :, None] == found.sets[rows][:, None]).all(axis=-1)
    there = (same & np.isfinite(found.log_odds[rows])[:, None]).any(axis=-1)
    new[1] = np.where(there, -np.inf, new[1])
    width = max(old[0].shape[1], 1 + SUSPECTS + KEPT)
    # The others' sets are repeated to the same width, and barred there.
    filled = [np.concatenate([a, a[:, :1].repeat(width - a.shape[1], axis=1)], axis=1) for a in old]
    filled[1][:, old[1].shape[1] :] = -np.inf
    both = [np.concatenate([a[rows], b], axis=1) for a, b in zip(filled, new, strict=True)]
    said = _suspicion(both).says()
    best = np.arange(rows.size)[:, None], np.argsort(-said, axis=1)[:, :width]
    for a, b in zip(filled, both, strict=True):
        a[rows] = b[best]
    return _suspicion(filled)


def _arrays(found: Suspicion) -> list[np.ndarray]:
    parts = [getattr(found.solution, item.name) for item in fields(Solution)]
    return [found.sets, found.log_odds, *parts]


def _suspicion(arrays: list[np.ndarray]) -> Suspicion:
    return Suspicion(arrays[0], arrays[1], Solution(*arrays[2:]))


def _likely_pair(batch: Batch) -> tuple[np.ndarray, np.ndarray]:
    """Two frames of each sweep, both too large, without which a parabola fits best: (k, n) bool.

    And whether that is worth a search, (k,). The squares of a hyperbola lie on a parabola, so that
    what leaving out any two frames does follows from one linear fit (Cook & Weisberg 1982,
    Residuals and Influence in Regression -- from memory).
    """
    k, n = batch.x.shape
    if n < LEFT_BY_TWO + 2:
        return np.zeros((k, n), bool), np.zeros(k, bool)
    star = np.hypot(batch.star, MISFIT * batch.y)
    basis, weight = parabola(batch.x, batch.y, star, batch.present)
    root = np.sqrt(weight)
    scaled = basis * root[..., None]
    # Residuals and their covariance, in units of the noise.
    left = np.eye(n) - scaled @ np.linalg.pinv(scaled)
    off = (left @ (root * batch.y**2)[..., None])[..., 0]
    one, two = np.triu_indices(n, 1)
    a, b, ab = left[:, one, one], left[:, two, two], left[:, one, two]
    alone = off**2 / np.maximum(np.diagonal(left, axis1=1, axis2=2), 1e-9)
    area = np.maximum(a * b - ab**2, 1e-9)
    # Residuals of the two frames from the curve of the others.
    first = (b * off[:, one] - ab * off[:, two]) / area
    second = (a * off[:, two] - ab * off[:, one]) / area
    gain = first * off[:, one] + second * off[:, two]
    gain = np.where((first > 0) & (second > 0), gain, 0.0)
    at = gain.argmax(axis=1)
    pair = np.zeros((k, n), bool)
    pair[np.arange(k), one[at]] = pair[np.arange(k), two[at]] = True
    used = batch.present.sum(axis=1)
    misfit = (off**2).sum(axis=1)
    by_one, by_two = misfit - alone.max(axis=1), misfit - gain.max(axis=1)
    worth = (by_one > BAD * (used - 4)) & (by_one > BAD * by_two)
    return pair, worth & (used >= LEFT_BY_TWO + 2)


def _round(
    batch: Batch, family: Family, prior: Prior, *, base: np.ndarray, free: np.ndarray
) -> tuple[Suspicion, np.ndarray]:
    """Fit the base and it with one frame more; and which of them to believe (0: the base)."""
    named = _most_suspect(batch, family, base, prior=prior)
    sets, log_odds = _grown(batch, named, base, free)
    start = start_without(batch, batch.present[:, None] * ~sets)[:, :, None]
    tried = solve_sets(batch, family, sets, start=start, prior=prior)
    found = Suspicion(sets, log_odds, tried)
    share = normalised(found.says())
    pick = np.where(share.max(axis=-1) > 0.5, share.argmax(axis=-1), 0)
    return found, pick


def _grown(
    batch: Batch, named: np.ndarray, base: np.ndarray, free: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The base set and those with one more frame: (k, 1 + SUSPECTS, n), and their log odds."""
    sets = base[:, None] | np.concatenate([np.zeros_like(named[:, :1]), named], axis=1)
    too_many = (sets & (batch.present[:, None] > 0)).sum(-1) > free[:, None]
    sets = np.where(too_many[..., None], base[:, None], sets)
    log_odds = wreck_log_odds(sets)
    # A set that could not grow repeats the base: it must not count twice.
    repeat = (sets.sum(-1) == base.sum(-1)[:, None]) & (np.arange(sets.shape[1]) > 0)
    return sets, np.where(repeat, -np.inf, log_odds)


def _most_suspect(batch: Batch, family: Family, base: np.ndarray, *, prior: Prior) -> np.ndarray:
    """One-frame sets (k, SUSPECTS, n) whose removal raises the likelihood most.

    Each frame in turn is left out and the rest fitted afresh at a few jitters: ranking them by
    their residuals would miss a wrecked frame at the end, which the fit bends to.
    """
    n = batch.x.shape[1]
    each = base[:, None] | np.eye(n, dtype=bool)
    start = start_without(batch, batch.present[:, None] * ~each)[:, :, None]
    tried = solve_sets(batch, family, each, start=start, prior=prior, levels=FEW)
    score = np.logaddexp.reduce(tried.log_evidence, axis=-1)
    score = np.where(base | (batch.present == 0), -np.inf, score)
    order = np.argsort(-score, axis=-1)[:, : min(SUSPECTS, n)]
    return np.arange(n) == order[..., None]
