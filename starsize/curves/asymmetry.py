"""Whether a telescope focuses its colours, or the edge and the middle of its lens, apart.

Asymmetry hides near the bottom of the curve, where the seeing is loudest, while the wings look
just like those of a plain telescope. One sweep often cannot tell; all sweeps of one telescope
together mostly can (``coloured``).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from .batch import LEVELS, Batch
from .coloured import (
    FOLLOWED_SCATTER,
    HIDDEN_SCATTER,
    HIDDEN_SHIFT,
    ODD_IF_COLOURED,
    SHARPEST_LEAST,
    SHARPEST_MOST,
    before_looking,
    colour_blur,
    hint_of_floors,
    odd_if_coloured,
    side_weight,
    upward,
)
from .family import BEND, LINE, PARAMETERS, Family
from .gauss_newton import Prior
from .posterior import Posterior, components, heaviest, join
from .suspects import Suspicion
from .wrecks import solve_sets, wreck_log_odds

WORTH_A_LOOK = 0.02
"""Odds of asymmetry by the quick tilted family at which the slow band is tried."""
HINT = 1.0
HOPELESS = -3.5
"""Sweeps are tried, unless hopeless (ln Bayes factor by the tilted family), too where their stars
are wider than the sharpest filter's, and all of them at such a hint of the floors."""
SURELY = 0.5
"""Chance of a coloured telescope from which its colours count in every filter."""
LEAST_FRAMES = 6
"""Fewer frames than this are fitted by a band of colours whatever they show: they cannot speak for
it, only the other sweeps can."""
COARSE = LEVELS[::2]
START = 1.5, 0.7
"""Line and bend that a band starts from where its light trails off to higher positions; negated
where to lower ones. From elsewhere (the foci spreading to the red end) it ends at the same best
focus."""


@dataclass(frozen=True, slots=True)
class Odd:
    """Mixture with the asymmetric families in, and the list of all families."""

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
    parts = [_tilted_part(batch, plain, tilted, index, prior)]
    log_plain = np.logaddexp.reduce(plain.log_weight, axis=1) + penalty
    few = batch.present.sum(axis=1) < LEAST_FRAMES
    log_ratio = _log_ratio(parts, log_plain, few)
    hint = hint_of_floors(floor_spread)
    chance = odd_if_coloured(plain, together=together)
    before = before_looking(log_ratio, chance, hint=hint, together=together)
    look = log_ratio + np.log(before.odd / (1 - before.odd)) > np.log(WORTH_A_LOOK)
    look |= ((chance > ODD_IF_COLOURED) | (hint > HINT)) & (log_ratio > HOPELESS)
    side = _side_of_trail(plain, parts[0])

    def bands(side: np.ndarray) -> Posterior:
        return _band_part(batch, parts[0], band, index + 1, prior=prior, rows=look, side=side)

    if look.any():
        parts.append(bands(side))
        log_ratio = _log_ratio(parts, log_plain, few)
        before = before_looking(log_ratio, chance, hint=hint, together=together)
    surely = together and before.coloured.max() > SURELY
    if surely and look.any():
        # The others will say to which side the light trails off: both must be there.
        parts.append(bands(-side))
    plain = _reweighed(plain, (np.log(1 - before.odd) + penalty)[:, None])
    bent = join(parts)
    heard = np.logaddexp.reduce(bent.log_weight, axis=1) - log_plain
    hushed = np.where(few, np.maximum(heard, 0), 0)
    bent = _reweighed(bent, (np.log(before.odd) - hushed)[:, None])
    if surely:
        plain, bent = _coloured(plain, bent, before.coloured)
    return Odd(join([plain, bent]), (*families, tilted, band)[: index + 1 + look.any()])


def _log_ratio(parts: Sequence[Posterior], log_plain: np.ndarray, few: np.ndarray) -> np.ndarray:
    """Ln of the evidence of asymmetric curves over plain ones: (k,)."""
    ratio = np.logaddexp.reduce(join(parts).log_weight, axis=1) - log_plain
    return np.where(few, np.minimum(ratio, 0), ratio)


def _coloured(
    plain: Posterior, bent: Posterior, coloured: np.ndarray
) -> tuple[Posterior, Posterior]:
    """Let the sweeps agree to which side the light trails off, and doubt what nobody can see."""
    up = bent.best > plain.best[heaviest(plain)][:, None]
    evidence = [
        np.logaddexp.reduce(np.where(mine, bent.log_weight, -np.inf), axis=1) for mine in (up, ~up)
    ]
    chance = upward(np.logaddexp.reduce(plain.log_weight, axis=1), *evidence)
    sided = np.where(up, side_weight(chance)[:, None], side_weight(1 - chance)[:, None])
    shift = HIDDEN_SHIFT * coloured * colour_blur(plain, sharpest=SHARPEST_MOST) * (2 * chance - 1)
    blur = coloured * colour_blur(plain, sharpest=SHARPEST_LEAST)
    plain = replace(plain, best=plain.best + shift[:, None])
    bent = _reweighed(bent, sided)
    return _widened(plain, HIDDEN_SCATTER * blur), _widened(bent, FOLLOWED_SCATTER * blur)


def _widened(part: Posterior, doubt: np.ndarray) -> Posterior:
    return replace(part, best_sigma=np.hypot(part.best_sigma, doubt[:, None]))


def _reweighed(part: Posterior, log_factor: np.ndarray) -> Posterior:
    return replace(part, log_weight=part.log_weight + log_factor)


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
    log_odds = wreck_log_odds(sets)
    suspicion = Suspicion(sets, np.where(barred, -np.inf, log_odds), solution)
    return components(batch, tilted, index, suspicion=suspicion, levels=COARSE)


def _band_part(
    batch: Batch,
    first: Posterior,
    band: Family,
    index: int,
    *,
    prior: Prior,
    rows: np.ndarray,
    side: np.ndarray,
) -> Posterior:
    """The band family for the rows worth it, with the likeliest suspects of the tilted one.

    Light trails off to ``side`` (k,), 1 or -1; either is as likely before looking.
    """
    n = batch.x.shape[1]
    part = batch.rows(rows)
    pick = heaviest(first)
    sets = first.suspect[pick][rows][:, None]
    start = first.parameters[pick][rows][:, None]
    start[..., 3:] = 0.0
    start[..., 1] -= 0.3
    start[..., LINE : BEND + 1] = side[rows][:, None, None] * np.array(START)
    solution = solve_sets(
        part,
        band,
        sets,
        start=start[:, :, None],
        prior=prior.rows(rows),
        levels=COARSE,
    )
    log_odds = wreck_log_odds(sets) + np.log(0.5)
    found = components(
        part, band, index, suspicion=Suspicion(sets, log_odds, solution), levels=COARSE
    )
    return _spread(found, rows, n)


def _side_of_trail(plain: Posterior, bent: Posterior) -> np.ndarray:
    """To which side light trails off, 1 or -1 (k,): the star is smallest on the other one."""
    return np.where(bent.best[heaviest(bent)] < plain.best[heaviest(plain)], 1.0, -1.0)


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
        suspect=suspect,
    )
