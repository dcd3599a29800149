"""What a sweep says about best focus: many small fits, averaged by how well each explains it.

A fit needs things it cannot know: the jitter of the seeing, the exact shape of the curve, whether
a frame is wrecked. Each combination is fitted and weighted by its restricted likelihood, so the
answer and its interval hold the doubt about all of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from .family import PARAMETERS, Family, smallest
from .gauss_newton import FLAT, Noise, Prior, Solution, solve
from .guess import guess_scaled
from .mixture import normalised

JITTERS = np.geomspace(0.001, 0.5, 18)
LEVELS = np.arange(JITTERS.size)
FEW = np.array([5, 10, 14])
WRECK_SCATTER = 0.5
"""A wrecked frame may be off by this share of its radius (1 sigma)."""
WRECK_ODDS = 0.02
"""Chance that a frame is wrecked, before looking."""
WRECK_WIDENS, WRECK_SPREAD = 1.5, 0.2
"""Gust, trail and cloud mostly widen the stars by this factor, give or take a fifth (of the ln): by
less it would pass for seeing, and by more it is plain to see."""
WRECK_ANYHOW = 0.1
"""Share of the wrecked frames off by anything, up or down, within ``WRECK_SCATTER``."""
SUSPECTS = 3
"""Frames looked at closely in one round."""
ROUNDS = 3
LEAST_LEFT = 4
"""Frames that must stay unsuspected."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Sweeps side by side: (k, n) arrays, padded at the end where ``present`` is 0.

    ``x`` is position scaled to -1..1 per sweep: position = middle + half * x. ``shake`` (k,) is the
    scatter of the camera about the counted positions, in the same scale.
    """

    x: np.ndarray
    y: np.ndarray
    star: np.ndarray
    present: np.ndarray
    middle: np.ndarray
    half: np.ndarray
    shake: np.ndarray

    def rows(self, chosen: np.ndarray) -> "Batch":
        """Some of the sweeps."""
        return Batch(*(getattr(self, item.name)[chosen] for item in fields(self)))


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mixture of one batch: c components of (family, suspects, jitter) for each of k sweeps.

    Attributes
    ----------
    log_weight : (k, c)
        Not normalised; without any prior of the jitter.
    parameters, covariance : (k, c, 8), (k, c, 8, 8)
    best, best_sigma : (k, c)
        Where the curve is smallest, scaled like ``x``.
    floor : (k, c)
        Radius there.
    chi2 : (k, c)
    seeing : (k, c)
        Mean square share of the seeing in the variances, for the jitter's prior.
    family, suspect, jitter : (c,) int, (k, c, n) bool, (c,) int
        Which family, which frames are taken as wrecked, which of ``JITTERS``.
    """

    log_weight: np.ndarray
    parameters: np.ndarray
    covariance: np.ndarray
    best: np.ndarray
    best_sigma: np.ndarray
    floor: np.ndarray
    chi2: np.ndarray
    seeing: np.ndarray
    family: np.ndarray
    suspect: np.ndarray
    jitter: np.ndarray


def no_prior(batch: Batch) -> Prior:
    """Nothing known about centre, floor, slope and droop."""
    size = (batch.x.shape[0], 4)
    return Prior(np.zeros(size), np.full(size, FLAT))


@dataclass(frozen=True, slots=True)
class Suspicion:
    """Sets of suspects worth a full fit: (k, h, n) bool, log odds (k, h), and the fits."""

    sets: np.ndarray
    log_odds: np.ndarray
    solution: Solution


def explain(batch: Batch, families: Sequence[Family], *, prior: Prior) -> Posterior:
    """Fit every sweep of the batch in every way that matters.

    Parameters
    ----------
    families : sequence of Family
        The first leads. One without freedoms takes over the suspects of the one before it.
    prior : Prior
        (k, 4) means and precisions of centre, ln floor, ln slope, droop in the scaled units.
    """
    suspicion: Suspicion | None = None
    parts = []
    for index, family in enumerate(families):
        if suspicion is None or family.freedom_sigma.size:
            suspicion = _suspicion(batch, family, prior)
        else:
            sets, start = suspicion.sets, suspicion.solution.parameters
            again = solve_sets(batch, family, sets, start=start, prior=prior)
            suspicion = Suspicion(sets, suspicion.log_odds, again)
        parts.append(components(batch, family, index, suspicion=suspicion))
    return join(parts)


def join(parts: Sequence[Posterior]) -> Posterior:
    """Put the components of several families side by side."""
    joined = {}
    for item in fields(Posterior):
        axis = 0 if item.name in ("family", "jitter") else 1
        joined[item.name] = np.concatenate([getattr(part, item.name) for part in parts], axis=axis)
    return Posterior(**joined)


def components(
    batch: Batch,
    family: Family,
    index: int,
    *,
    suspicion: Suspicion,
    levels: np.ndarray = LEVELS,
) -> Posterior:
    """One family's part of the mixture, flattened to (k, c, ...)."""
    k, n = batch.x.shape
    solution = suspicion.solution
    rows = suspicion.sets.shape[1]
    count = rows * levels.size
    best, floor, gradient = smallest(solution.parameters, family)
    variance = np.einsum("...p,...pq,...q->...", gradient, solution.covariance, gradient)
    points = batch.present.sum(axis=-1)[:, None, None]
    seeing = (solution.seeing_share**2).sum(axis=-1) / points
    weight = solution.log_evidence + suspicion.log_odds[..., None] + np.log(family.weight)
    # A coarser run of levels stands for all of them.
    weight = weight + np.log(JITTERS.size / levels.size)
    suspect = np.broadcast_to(suspicion.sets[:, :, None], (k, rows, levels.size, n))
    return Posterior(
        log_weight=weight.reshape(k, count),
        parameters=solution.parameters.reshape(k, count, PARAMETERS),
        covariance=solution.covariance.reshape(k, count, PARAMETERS, PARAMETERS),
        best=best.reshape(k, count),
        best_sigma=np.sqrt(variance).reshape(k, count),
        floor=np.maximum(floor, 1e-3).reshape(k, count),
        chi2=solution.chi2.reshape(k, count),
        seeing=seeing.reshape(k, count),
        family=np.full(count, index),
        suspect=suspect.reshape(k, count, n),
        jitter=np.tile(levels, rows),
    )


def solve_sets(
    batch: Batch,
    family: Family,
    suspects: np.ndarray,
    *,
    start: np.ndarray,
    prior: Prior,
    levels: np.ndarray = LEVELS,
) -> Solution:
    """Solve (k, h, T) problems: sweeps, sets of suspects, jitters."""
    noise = Noise(
        batch.star[:, None, None],
        JITTERS[levels][:, None],
        np.hypot(WRECK_SCATTER * suspects[:, :, None], family.misfit),
        batch.shake[:, None, None, None],
    )
    solution = solve(
        batch.x[:, None, None],
        batch.y[:, None, None],
        family,
        noise=noise,
        start=start,
        prior=Prior(prior.mean[:, None, None], prior.precision[:, None, None]),
        present=batch.present[:, None, None],
    )
    sizes = _log_size(batch, solution, suspects[:, :, None])
    return replace(solution, log_evidence=solution.log_evidence + sizes)


def _log_size(batch: Batch, solution: Solution, suspects: np.ndarray) -> np.ndarray:
    """Ln of how likely the suspects' sizes are, over what the fit took: off by anything."""
    if not suspects.any():
        return np.zeros_like(solution.log_evidence)
    y = batch.y[:, None, None]
    predicted = np.maximum(y - solution.residual, 1e-3 * y)
    wild = (WRECK_SCATTER * np.maximum(predicted, y)) ** 2
    # What the frame would scatter by if it were sound, the doubt about the curve there included.
    sound = np.maximum(solution.variance * (1 + solution.leverage) - wild, 0.0)
    spread = WRECK_SPREAD**2 + np.minimum(sound / predicted**2, WRECK_SCATTER**2)
    away = np.log(y / (WRECK_WIDENS * predicted))
    widened = -0.5 * (away**2 / spread + np.log(spread)) - np.log(y)
    anyhow = -0.5 * (solution.residual**2 / (wild + sound) + np.log(wild + sound))
    size = np.logaddexp(
        np.log(1 - WRECK_ANYHOW) + widened - anyhow,
        np.log(WRECK_ANYHOW),
    )
    return np.where(suspects & (batch.present[:, None, None] > 0), size, 0.0).sum(axis=-1)


def _suspicion(batch: Batch, family: Family, prior: Prior) -> Suspicion:
    """Find the frames that may be wrecked, greedily: each round believes at most one more."""
    k = batch.x.shape[0]
    base = np.zeros(batch.x.shape, bool)
    free = batch.present.sum(axis=-1) - LEAST_LEFT
    first, pick = _round(batch, family, prior, base=base, free=free)
    sets, log_odds, parts = first
    for _ in range(ROUNDS):
        grown = np.flatnonzero((pick > 0) & (free > 0))
        if grown.size == 0:
            break
        # Only the sweeps that named a frame go on; they start over from the larger base.
        base[grown] = sets[grown, pick[grown]]
        part = batch.rows(grown)
        some = Prior(prior.mean[grown], prior.precision[grown])
        again, next_pick = _round(part, family, some, base=base[grown], free=free[grown])
        sets[grown], log_odds[grown] = again[0], again[1]
        for old, new in zip(parts, again[2], strict=True):
            old[grown] = new
        pick = np.zeros(k, int)
        pick[grown] = next_pick
    return Suspicion(sets, log_odds, Solution(*parts))


def _round(
    batch: Batch, family: Family, prior: Prior, *, base: np.ndarray, free: np.ndarray
) -> tuple[tuple[np.ndarray, np.ndarray, list[np.ndarray]], np.ndarray]:
    """Fit the base and it with one frame more; and which of them to believe (0: the base)."""
    named = _most_suspect(batch, family, base, prior=prior)
    sets, log_odds = _grown(batch, named, base, free)
    start = _guess(batch, batch.present[:, None] * ~sets)[:, :, None]
    tried = solve_sets(batch, family, sets, start=start, prior=prior)
    share = normalised(np.logaddexp.reduce(tried.log_evidence, axis=-1) + log_odds)
    pick = np.where(share.max(axis=-1) > 0.5, share.argmax(axis=-1), 0)
    return (sets, log_odds, [getattr(tried, item.name) for item in fields(Solution)]), pick


def _guess(batch: Batch, kept: np.ndarray) -> np.ndarray:
    lead = kept.shape[:-1]
    x, y, star = (
        np.broadcast_to(a.reshape(a.shape[0], *[1] * (len(lead) - 1), a.shape[1]), kept.shape)
        for a in (batch.x, batch.y, batch.star)
    )
    first = guess_scaled(x, y, star, kept)
    return np.concatenate([first, np.zeros((*lead, PARAMETERS - 3))], axis=-1)


def _grown(
    batch: Batch, named: np.ndarray, base: np.ndarray, free: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """The base set and those with one more frame: (k, 1 + SUSPECTS, n), and their log odds."""
    sets = base[:, None] | np.concatenate([np.zeros_like(named[:, :1]), named], axis=1)
    too_many = (sets & (batch.present[:, None] > 0)).sum(-1) > free[:, None]
    sets = np.where(too_many[..., None], base[:, None], sets)
    log_odds = np.log(WRECK_ODDS / (1 - WRECK_ODDS)) * sets.sum(axis=-1)
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
    start = _guess(batch, batch.present[:, None] * ~each)[:, :, None]
    tried = solve_sets(batch, family, each, start=start, prior=prior, levels=FEW)
    score = np.logaddexp.reduce(tried.log_evidence, axis=-1)
    score = np.where(base | (batch.present == 0), -np.inf, score)
    order = np.argsort(-score, axis=-1)[:, : min(SUSPECTS, n)]
    return np.arange(n) == order[..., None]
