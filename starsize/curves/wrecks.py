"""Fits that take some frames as wrecked, and how likely that is."""

from dataclasses import replace

import numpy as np

from .batch import JITTERS, LEVELS, Batch
from .family import PARAMETERS, Family
from .gauss_newton import Noise, Prior, Solution, solve
from .guess import guess_scaled

WRECK_SCATTER = 0.5
"""A wrecked frame may be off by this share of its radius (1 sigma)."""
WRECK_ODDS = 0.04
"""Chance that a frame is wrecked, before looking."""
WRECK_WIDENS, WRECK_SPREAD = 1.5, 0.2
"""Gust, trail and cloud mostly widen the stars by this factor, give or take a fifth (of the ln): by
less it would pass for seeing, and by more it is plain to see."""
WRECK_ANYHOW = 0.1
"""Share of the wrecked frames off by anything, up or down, within ``WRECK_SCATTER``."""


def wreck_log_odds(sets: np.ndarray) -> np.ndarray:
    """Ln odds, before looking, that just the frames of each set (..., n) are wrecked: (...)."""
    return np.log(WRECK_ODDS / (1 - WRECK_ODDS)) * sets.sum(axis=-1)


def start_without(batch: Batch, kept: np.ndarray) -> np.ndarray:
    """Starting parameters (k, h, 8) from the frames (k, h, n) that are kept."""
    lead = kept.shape[:-1]
    x, y, star = (
        np.broadcast_to(a.reshape(a.shape[0], *[1] * (len(lead) - 1), a.shape[1]), kept.shape)
        for a in (batch.x, batch.y, batch.star)
    )
    first = guess_scaled(x, y, star, kept)
    return np.concatenate([first, np.zeros((*lead, PARAMETERS - 3))], axis=-1)


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
