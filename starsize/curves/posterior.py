"""What a sweep says about best focus: many small fits, averaged by how well each explains it.

A fit needs things it cannot know: the jitter of the seeing, the exact shape of the curve, whether
a frame is wrecked. Each combination is fitted and weighted by its restricted likelihood, so the
answer and its interval hold the doubt about all of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from .batch import JITTERS, LEVELS, Batch
from .family import PARAMETERS, Family, smallest
from .gauss_newton import FLAT, Prior
from .suspects import Suspicion, find_suspects
from .wrecks import solve_sets


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
    family: np.ndarray
    suspect: np.ndarray
    jitter: np.ndarray


def no_prior(batch: Batch) -> Prior:
    """Nothing known about centre, floor, slope and droop."""
    size = (batch.x.shape[0], 4)
    return Prior(np.zeros(size), np.full(size, FLAT))


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
            suspicion = find_suspects(batch, family, prior)
        else:
            sets, start = suspicion.sets, suspicion.solution.parameters
            again = solve_sets(batch, family, sets, start=start, prior=prior)
            suspicion = Suspicion(sets, suspicion.log_odds, again)
        parts.append(components(batch, family, index, suspicion=suspicion))
    return join(parts)


def heaviest(posterior: Posterior) -> tuple[np.ndarray, np.ndarray]:
    """Index, into (k, c), of each sweep's component of most weight."""
    weight = posterior.log_weight
    return np.arange(weight.shape[0]), weight.argmax(axis=1)


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
        family=np.full(count, index),
        suspect=suspect.reshape(k, count, n),
        jitter=np.tile(levels, rows),
    )
