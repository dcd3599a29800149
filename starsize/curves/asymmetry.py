"""Whether a telescope focuses its colours, or the edge and the middle of its lens, apart.

Asymmetry hides near the bottom of the curve, where the seeing is loudest, while the wings look
just like those of a plain telescope. One sweep often cannot tell; all sweeps of one telescope
together mostly can. So there are two states of a telescope, straight and coloured, with different
odds for an asymmetric curve, and the other sweeps say which it is.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .family import BEND, LINE, PARAMETERS, Family
from .gauss_newton import Prior
from .posterior import (
    LEVELS,
    WRECK_ODDS,
    Batch,
    Posterior,
    Suspicion,
    components,
    join,
    solve_sets,
)

COLOURED = 0.01
COLOURED_ALONE = 0.002
"""Chance that a telescope is coloured, before looking; the second where one sweep must decide,
for then a wrecked frame at its end is the likelier reason."""
ODD_IF_STRAIGHT = 0.001
ODD_IF_COLOURED = 0.6
"""Chance that a sweep is asymmetric, in either state."""
LOUDEST = 5.0
"""One sweep may not speak louder than this (ln of a Bayes factor) about the others."""
FLOORS_IF_STRAIGHT = 0.12
FLOORS_IF_COLOURED = 0.6
"""Scatter of ln floor between sweeps (half-normal): colour widens the stars of some filters."""
HIDDEN_SHARE = 0.08
"""Part of its colours' blur by which best focus may be off unseen: 0.07 for the G and R of a 100 mm
f/6 achromat, simulated."""
WORTH_A_LOOK = 0.02
"""Odds of asymmetry by the quick tilted family at which the slow band is tried."""
HINT = 1.0
HOPELESS = -3.5
"""With such a hint of the floors (ln Bayes factor) all sweeps are tried that are not hopeless."""
COARSE = LEVELS[::2]
STARTS = ((1.5, 0.7), (1.5, -0.7))


@dataclass(frozen=True, slots=True)
class Odd:
    """Mixture with the asymmetric families in, their list, and P(asymmetric) before the data."""

    posterior: Posterior
    families: tuple[Family, ...]


def add_asymmetric(
    batch: Batch,
    plain: Posterior,
    families: Sequence[Family],
    *,
    odd: tuple[Family, Family],
    prior: Prior,
    penalty: np.ndarray,
    floor_spread: float | None,
    together: bool,
) -> Odd:
    """Add the two asymmetric families, tilted and band, at the weight that all sweeps give them.

    Parameters
    ----------
    families : sequence of Family
        Those in ``plain``.
    odd : (tilted, band)
    penalty : (k,) array
        Ln of the odds against a plain sweep, where its slope is not that of the others.
    floor_spread : float or None
        Scatter of ln floor from sweep to sweep.
    together : bool
        The sweeps are of one telescope.
    """
    tilted, band = odd
    index = len(families)
    first = _tilted_part(batch, plain, tilted, index, prior)
    log_plain = np.logaddexp.reduce(plain.log_weight, axis=1)
    log_odd = np.logaddexp.reduce(first.log_weight, axis=1)
    log_plain = log_plain + penalty
    hint = _hint_of_floors(floor_spread)
    share = _share(log_odd - log_plain, hint, together)
    parts = [first]
    look = log_odd - log_plain + np.log(share / (1 - share)) > np.log(WORTH_A_LOOK)
    if hint > HINT:
        look |= log_odd - log_plain > HOPELESS
    if look.any():
        parts.append(_band_part(batch, first, band, index + 1, prior=prior, rows=look))
        log_odd = np.logaddexp.reduce([np.logaddexp.reduce(p.log_weight, axis=1) for p in parts])
        share = _share(log_odd - log_plain, hint, together)
    doubt = _doubt(plain, share) if together else np.zeros_like(share)
    plain = _widened(_reweighed(plain, (1 - share) * np.exp(penalty)), doubt)
    # A curve that follows the colours still knows their foci only roughly.
    parts = [_widened(_reweighed(part, share), doubt / 2) for part in parts]
    joined = join([plain, *parts])
    return Odd(joined, (*families, tilted, band)[: index + len(parts)])


def _doubt(plain: Posterior, share: np.ndarray) -> np.ndarray:
    """By how much best focus of a coloured telescope may be off unseen, scaled like x, (k,).

    The blur of the colours is what a filter's floor exceeds the sharpest filter's by, in squares.
    """
    coloured = np.clip((share - ODD_IF_STRAIGHT) / (ODD_IF_COLOURED - ODD_IF_STRAIGHT), 0, 1)
    if coloured.max() < 0.5:
        return np.zeros_like(share)
    heaviest = np.arange(share.size), plain.log_weight.argmax(axis=1)
    floor, slope = np.exp(plain.parameters[heaviest][:, 1:3]).T
    blur = np.sqrt(np.maximum(floor**2 - floor.min() ** 2, 0)) / slope
    return HIDDEN_SHARE * blur * coloured


def _widened(part: Posterior, doubt: np.ndarray) -> Posterior:
    return replace(part, best_sigma=np.hypot(part.best_sigma, doubt[:, None]))


def _hint_of_floors(spread: float | None) -> float:
    """Ln of the Bayes factor for a coloured telescope from the scatter of the floors."""
    if spread is None:
        return 0.0
    wide, narrow = FLOORS_IF_COLOURED, FLOORS_IF_STRAIGHT
    gain = 0.5 * spread**2 * (1 / narrow**2 - 1 / wide**2) - np.log(wide / narrow)
    return float(np.clip(gain, -LOUDEST, LOUDEST))


def _reweighed(part: Posterior, share: np.ndarray) -> Posterior:
    return replace(part, log_weight=part.log_weight + np.log(share)[:, None])


def _share(log_ratio: np.ndarray, hint: float, together: bool) -> np.ndarray:
    """Chance of asymmetry before a sweep's own data, from what the other sweeps say: (k,)."""
    heard = np.minimum(log_ratio, LOUDEST)

    def saying(odd: float) -> np.ndarray:
        return np.logaddexp(np.log(odd) + heard, np.log(1 - odd))

    own = saying(ODD_IF_COLOURED) - saying(ODD_IF_STRAIGHT)
    others = own.sum() - own if together else np.zeros_like(own)
    before = COLOURED if together and log_ratio.size > 2 else COLOURED_ALONE
    log_odds = np.clip(np.log(before / (1 - before)) + hint + others, -500, 500)
    coloured = 1 / (1 + np.exp(-log_odds))
    return ODD_IF_STRAIGHT + (ODD_IF_COLOURED - ODD_IF_STRAIGHT) * coloured


def _tilted_part(
    batch: Batch, plain: Posterior, tilted: Family, index: int, prior: Prior
) -> Posterior:
    """The tilted family with the suspects of the first plain one, and with none at all."""
    k, n = batch.x.shape
    mine = plain.family == 0
    rows = mine.sum() // LEVELS.size
    sets = plain.suspect[:, mine].reshape(k, rows, LEVELS.size, n)[:, :, 0]
    start = plain.parameters[:, mine].reshape(k, rows, LEVELS.size, PARAMETERS)[:, :, COARSE]
    weight = plain.log_weight[:, mine].reshape(k, rows, LEVELS.size)
    barred = ~np.isfinite(weight).any(axis=-1)
    if sets.any():
        sets = np.concatenate([sets, np.zeros_like(sets[:, :1])], axis=1)
        start = np.concatenate([start, start[:, :1]], axis=1)
        # The empty set may be there already.
        there = (~sets[:, :-1].any(axis=-1) & ~barred).any(axis=1)
        barred = np.concatenate([barred, there[:, None]], axis=1)
    solution = solve_sets(batch, tilted, sets, start=start, prior=prior, levels=COARSE)
    log_odds = np.log(WRECK_ODDS / (1 - WRECK_ODDS)) * sets.sum(axis=-1)
    suspicion = Suspicion(sets, np.where(barred, -np.inf, log_odds), solution)
    return components(batch, tilted, index, suspicion=suspicion, levels=COARSE)


def _band_part(
    batch: Batch, first: Posterior, band: Family, index: int, *, prior: Prior, rows: np.ndarray
) -> Posterior:
    """The band family for the rows worth it, with the likeliest suspects of the tilted one.

    It starts twice, bent to either side, and both ends count.
    """
    n = batch.x.shape[1]
    part = batch.rows(rows)
    heaviest = first.log_weight[rows].argmax(axis=1)
    pick = np.arange(rows.sum()), heaviest
    sets = np.repeat(first.suspect[rows][pick][:, None], len(STARTS), axis=1)
    begin = first.parameters[rows][pick]
    start = np.repeat(begin[:, None], len(STARTS), axis=1)
    start[..., 3:] = 0.0
    start[..., 1] -= 0.3
    start[..., LINE : BEND + 1] = STARTS
    solution = solve_sets(
        part,
        band,
        sets,
        start=start[:, :, None],
        prior=Prior(prior.mean[rows], prior.precision[rows]),
        levels=COARSE,
    )
    log_odds = np.log(WRECK_ODDS / (1 - WRECK_ODDS)) * sets.sum(axis=-1) - np.log(len(STARTS))
    found = components(
        part, band, index, suspicion=Suspicion(sets, log_odds, solution), levels=COARSE
    )
    return _spread(found, rows, n)


def _spread(part: Posterior, rows: np.ndarray, points: int) -> Posterior:
    """Give the rows that were not fitted components of no weight."""
    k, count = rows.size, part.family.size

    def wide(values: np.ndarray, fill: float) -> np.ndarray:
        full = np.full((k, *values.shape[1:]), fill, values.dtype)
        full[rows] = values
        return full

    suspect = np.zeros((k, count, points), bool)
    suspect[rows] = part.suspect
    return replace(
        part,
        log_weight=wide(part.log_weight, -np.inf),
        parameters=wide(part.parameters, 0.0),
        covariance=wide(part.covariance, 0.0),
        best=wide(part.best, 0.0),
        best_sigma=wide(part.best_sigma, 1.0),
        floor=wide(part.floor, 1.0),
        chi2=wide(part.chi2, 0.0),
        seeing=wide(part.seeing, 0.0),
        suspect=suspect,
    )
