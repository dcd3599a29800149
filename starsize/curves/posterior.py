"""What a sweep says about best focus: many small fits, averaged by how well each explains it.

A fit needs things it cannot know: the jitter of the seeing, the exact shape of the curve, whether
a frame is wrecked. Each combination is fitted and weighted by its restricted likelihood, so the
answer and its interval hold the doubt about all of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .gauss_newton import FLAT, Noise, Prior, Solution, model, solve
from .guess import guess_scaled
from .mixture import normalised
from .shapes import Shape

JITTERS = np.geomspace(0.003, 0.5, 16)
WRECK_SCATTER = 0.6
"""A wrecked frame may be off by this share of its radius (1 sigma)."""
WRECK_ODDS = 0.02
"""Chance that a frame is wrecked, before looking."""
SUSPECTS = 3
"""Frames looked at closely in one round."""
LEAST_LEFT = 4
"""Frames that must stay unsuspected."""


@dataclass(frozen=True, slots=True)
class Batch:
    """Sweeps side by side: (k, n) arrays, padded at the end where ``present`` is 0.

    ``x`` is position scaled to -1..1 per sweep: position = middle + half * x.
    """

    x: np.ndarray
    y: np.ndarray
    star: np.ndarray
    present: np.ndarray
    middle: np.ndarray
    half: np.ndarray


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mixture of one batch: c components of (model, suspects, jitter) for each of k sweeps.

    Attributes
    ----------
    log_weight : (k, c)
        Not normalised; without any prior of the jitter.
    parameters, covariance : (k, c, p), (k, c, p, p)
    chi2 : (k, c)
    seeing : (k, c)
        Mean square share of the seeing in the variances, for the jitter's prior.
    shape, suspect, jitter : (c,) int, (k, c, n) bool, (c,) int
        Which model, which frames are taken as wrecked, which of ``JITTERS``.
    """

    log_weight: np.ndarray
    parameters: np.ndarray
    covariance: np.ndarray
    chi2: np.ndarray
    seeing: np.ndarray
    shape: np.ndarray
    suspect: np.ndarray
    jitter: np.ndarray


def explain(
    batch: Batch, shapes: Sequence[tuple[Shape, float]], *, prior: Prior | None = None
) -> Posterior:
    """Fit every sweep of the batch in every way that matters.

    Parameters
    ----------
    shapes : sequence of (Shape, prior weight)
        The first is used to look for wrecked frames.
    prior : Prior, optional
        (k, 3) means and precisions of centre, ln floor, ln slope in the scaled units.
    """
    prior = prior or _flat(batch)
    hypotheses, odds, start = _suspect_sets(batch, shapes[0][0], prior)
    found = []
    for shape, _ in shapes:
        found.append(_solve(batch, shape, hypotheses, start=start, prior=prior))
        start = found[-1].parameters
    rows = hypotheses.shape[1]
    weight = [
        s.log_evidence + odds[..., None] + np.log(w)
        for s, (_, w) in zip(found, shapes, strict=True)
    ]
    k, n = batch.x.shape
    count = rows * JITTERS.size
    suspect = np.broadcast_to(hypotheses[:, :, None], (k, rows, JITTERS.size, n))
    return Posterior(
        np.concatenate([w.reshape(k, count) for w in weight], axis=1),
        np.concatenate([s.parameters.reshape(k, count, -1) for s in found], axis=1),
        np.concatenate([s.covariance.reshape(k, count, 3, 3) for s in found], axis=1),
        np.concatenate([s.chi2.reshape(k, count) for s in found], axis=1),
        np.concatenate([_seeing(s, batch).reshape(k, count) for s in found], axis=1),
        np.repeat(np.arange(len(shapes)), count),
        np.tile(suspect.reshape(k, count, n), (1, len(shapes), 1)),
        np.tile(np.arange(JITTERS.size), rows * len(shapes)),
    )


def _flat(batch: Batch) -> Prior:
    size = (batch.x.shape[0], 3)
    return Prior(np.zeros(size), np.full(size, FLAT))


def _seeing(solution: Solution, batch: Batch) -> np.ndarray:
    points = batch.present.sum(axis=-1)[:, None, None]
    return (solution.seeing_share**2).sum(axis=-1) / points


def _solve(
    batch: Batch, shape: Shape, suspects: np.ndarray, *, start: np.ndarray, prior: Prior
) -> Solution:
    """Solve (k, h, T) problems: sweeps, sets of suspects, jitters."""
    noise = Noise(
        batch.star[:, None, None],
        JITTERS[:, None],
        WRECK_SCATTER * suspects[:, :, None].astype(float),
    )
    spread = Prior(prior.mean[:, None, None], prior.precision[:, None, None])
    return solve(
        batch.x[:, None, None],
        batch.y[:, None, None],
        shape,
        noise=noise,
        start=start,
        prior=spread,
        present=batch.present[:, None, None],
    )


def _suspect_sets(
    batch: Batch, shape: Shape, prior: Prior
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sets of suspects worth a full fit: (k, h, n) bool, log odds (k, h), starts (k, h, T, 3).

    The first set is the one believed so far; the others add one frame each.
    """
    k, n = batch.x.shape
    base = np.zeros((k, n), bool)
    free = batch.present.sum(axis=-1) - LEAST_LEFT
    log_odds = np.log(WRECK_ODDS / (1 - WRECK_ODDS))
    rounds = int(np.clip(free.max(), 0, 3))
    guess = guess_scaled(batch.x, batch.y, batch.star, batch.present)[:, None, None]
    for last in [False] * rounds + [True]:
        alone = _solve(batch, shape, base[:, None], start=guess, prior=prior)
        named = _most_suspect(batch, shape, alone, base)
        sets = base[:, None] | np.concatenate([np.zeros_like(named[:, :1]), named], axis=1)
        sets &= ((sets & (batch.present[:, None] > 0)).sum(-1) <= free[:, None])[..., None] | (
            base[:, None]
        )
        odds = log_odds * sets.sum(axis=-1)
        # A set that could not grow repeats the base: it must not count twice.
        repeat = (sets.sum(-1) == base.sum(-1)[:, None]) & (np.arange(sets.shape[1]) > 0)
        odds = np.where(repeat, -np.inf, odds)
        start = np.broadcast_to(alone.parameters, (k, sets.shape[1], JITTERS.size, 3))
        if last:
            break
        tried = _solve(batch, shape, sets, start=_restart(batch, sets, start), prior=prior)
        total = np.logaddexp.reduce(tried.log_evidence, axis=-1) + odds
        best = normalised(total)
        pick = best.argmax(axis=-1)
        grows = (pick > 0) & (best.max(axis=-1) > 0.5)
        if not grows.any():
            return sets, odds, tried.parameters
        base = np.where(grows[:, None], sets[np.arange(k), pick], base)
        guess = tried.parameters[np.arange(k), pick][:, None]
    return sets, odds, start


def _restart(batch: Batch, sets: np.ndarray, start: np.ndarray) -> np.ndarray:
    """A fresh guess without the suspects: one bad frame may have dragged the first fit away."""
    kept = batch.present[:, None] * ~sets
    fresh = guess_scaled(batch.x[:, None], batch.y[:, None], batch.star[:, None], kept)
    return np.where((sets.sum(-1) > 0)[..., None, None], fresh[:, :, None], start)


def _most_suspect(batch: Batch, shape: Shape, solution: Solution, base: np.ndarray) -> np.ndarray:
    """One-frame sets (k, SUSPECTS, n) whose removal would raise the likelihood most.

    Leaving a point out of a linear fit moves its residual e to e / (1 - h) and its variance to
    sigma^2 / (1 - h), h the leverage; no refit is needed to rank the frames.
    """
    n = batch.x.shape[1]
    radius, by = model(batch.x[:, None, None], solution.parameters, shape)
    variance = solution.variance
    leverage = np.einsum("...np,...pq,...nq->...n", by, solution.covariance, by) / variance
    stay = np.clip(1 - leverage, 0.02, 1.0)
    miss2 = ((batch.y[:, None, None] - radius) / stay) ** 2
    narrow = variance / stay
    wide = narrow + (WRECK_SCATTER * radius) ** 2
    gain = 0.5 * (miss2 / narrow - miss2 / wide + np.log(narrow / wide))
    weight = normalised(solution.log_evidence)
    score = (weight[..., None] * gain).sum(axis=2)[:, 0]
    score = np.where(base | (batch.present == 0), -np.inf, score)
    order = np.argsort(-score, axis=-1)[:, : min(SUSPECTS, n)]
    return np.arange(n) == order[..., None]
