"""Play of the focuser: nights on which it was taken up at the start of sweeps, or was not.

A focuser that was turned before a sweep runs its counter over the play P first while the camera
stands: frame i, t_i steps after the first, was taken max(t_i, P) steps from it. P is one quantity
of the night and is found with all others (`Night.places`). Each sweep turned or was run in, one as
likely as the other, so that

    odds of play = play E_1 / E_0 product over the sweeps of (1 + exp(-|D_k|)) / 2,

E the evidence of the frames with play and without (`posterior`), D_k by how much ln likelihood of
sweep k is larger turned than run in; in E_1 those turned that have D_k > 0. The channels of a
colour camera share what was wrecked: they count as one sweep of their mean D_k, and E_1 / E_0 to
that share. Best focus is the average over both kinds of nights by these odds.
"""

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from scipy.special import expit

from ..estimate import NOT_KNOWN, Estimate
from ..optics.star import colour_terms
from .night import Night, Q
from .plain import guess_hyperbola
from .posterior import COARSE, SCREENING, USUAL, WIDE, Fit, Posterior, descend, explain, together
from .statistics import PRIORS

LEAST_FRAMES, LEAST_MOVING = 7, 4
"""Frames of a sweep that can show play, and that must have moved for it to be read."""
SURE = 0.995
"""Play is named where it is more likely than this. One frame that is too small is about as likely
play as a wreck, so it never suffices; two of one sweep, or of two, mostly do."""
MAY_BE = 0.2  # from this chance on, first frames off the curve may have been play instead of wrecks


class Start(NamedTuple):
    """How many first frames of a sweep stood still, if it turned; the play where it is sure."""

    standing: int = 0
    play: Estimate = NOT_KNOWN


def explain_with_play(night: Night) -> tuple[Posterior, list[Start]]:
    """Explain a night with play and without; its fit is the likelier one of the two."""
    found, nothing = explain(night), [Start()] * len(night.bands)
    first = (night.position_steps == night.first_steps) & ~night.inner
    first &= _way(night)[night.sweep] != 0
    # Only where a first frame is rather wrecked than before looking.
    tried = _turned(night) if np.any(found.sound[first] < 1 - PRIORS.wrecked) else None
    if tried is None:
        return found, nothing
    turned, share, mixed = tried
    with_it = explain(turned)
    values, evidence = with_it.fit.values, (found.log_evidence, with_it.log_evidence)
    chance = float(expit(np.log(PRIORS.play) + mixed + share * (evidence[1] - evidence[0])))
    if not (chance > 0 and 0 < values[Q.PLAY] < _furthest(turned)):
        return found, nothing
    play = with_it.quantity(Q.PLAY) if chance > SURE else NOT_KNOWN
    stood = np.bincount(night.sweep, turned.standing(values) & ~night.inner)
    starts = [
        Start(int(n), play if n else NOT_KNOWN) if chance > MAY_BE else Start() for n in stood
    ]
    if chance > SURE:
        return with_it, starts
    both = together((found, with_it), np.log([1 - chance, chance]) - evidence)
    return replace(both, soundness=found.sound + 0 * both.soundness), starts


def _turned(night: Night) -> tuple[Night, float, float] | None:
    """The night with those sweeps turned that are likelier so; None where play is out of sight.

    And what share of the evidence counts, and the log of the product over the sweeps.
    """
    way, spacing = _way(night), float(night.prior.scale[Q.PLAY])
    able = replace(night, turned=way[night.sweep])
    # In the middle between two frames, by hyperbolas.
    tried = [_moved(able, steps) for steps in np.arange(spacing / 2, _furthest(able), spacing)]
    if not tried:
        return None
    start, _ = min(tried, key=lambda one: one[1])
    # With tight variances frames that stood pass for wrecked, and no play is found.
    fit = descend(able, start, **COARSE, steps=SCREENING)
    fit = descend(able, fit.values, **USUAL, steps=WIDE)
    gain, sets = np.where(way != 0, _gain(fit), 0.0), _sets(night)
    count = np.bincount(sets)[sets]
    mean = np.bincount(sets, gain)[sets] / count
    on = mean > 0
    if not on.any():
        return None
    mixed = float(((np.log1p(np.exp(-np.abs(mean))) - np.log(2)) / count)[way != 0].sum())
    turned = replace(night, turned=np.where(on, way, 0.0)[night.sweep], near=None)
    turned = replace(turned, start=_moved(turned, float(fit.values[Q.PLAY]))[0])
    return turned, float((mean / count)[on].sum() / gain[on].sum()), mixed


def _gain(fit: Fit) -> np.ndarray:
    """By how much ln likelihood of each sweep is larger turned than run in: (m,).

    What sweeps share is that of the fit.
    """
    night, shared = fit.night, fit.values[: Q.FIRST]
    held = night.prior.changed(slice(Q.FIRST), target=shared, scale=1e-6, tail=np.inf)
    run_in = replace(night, turned=0 * night.turned, prior=held)
    start = _moved(run_in, 0.0, fit.values[Q.COLOUR])[0]
    start[: Q.FIRST] = shared
    other = descend(run_in, start, **USUAL, steps=SCREENING)

    def likelihoods(end: Fit) -> np.ndarray:
        likely = end.scatter(**USUAL).believe(end.miss_px).log_likelihood
        return np.bincount(night.sweep, likely * ~night.inner)

    return likelihoods(fit) - likelihoods(other)


def _way(night: Night) -> np.ndarray:
    """Which way each sweep ran, 1 or -1; 0 where it cannot show any play: (m,)."""
    way = np.zeros(len(night.bands))
    for k in range(way.size):
        moves = np.diff(night.position_steps[night.frames(k)])
        if moves.size + 1 >= LEAST_FRAMES and (np.all(moves > 0) or np.all(moves < 0)):
            way[k] = np.sign(moves[0])
    return way


def _furthest(night: Night) -> float:
    """Play after which enough frames of all sweeps that turned have moved."""
    runs = np.abs(night.position_steps - night.first_steps)
    on = set(night.sweep[night.turned != 0].tolist())
    return min((runs[night.frames(k)][-LEAST_MOVING] for k in on), default=0.0)


def _sets(night: Night) -> np.ndarray:
    """Number of the exposures behind each sweep, alike for the channels of a colour camera."""
    sets = np.arange(len(night.bands))
    for exposure in range(night.exposure.max() + 1):
        members = night.sweep[night.exposure == exposure]
        sets[members] = sets[members].min()
    return sets


def _moved(
    night: Night, steps: float, colour_px: np.ndarray | float = 0.0
) -> tuple[np.ndarray, float]:
    """Quantities to start from where the play is ``steps``, and the misfit of hyperbolas there."""
    start = night.start.copy()
    start[Q.PLAY], start[Q.COLOUR] = steps, colour_px
    places, mine = night.places(start), [night.frames(k) for k in range(len(night.bands))]
    guesses = np.array([guess_hyperbola(places[m], night.radius_px[m]) for m in mine])
    # The zero is the focus of 550 nm; what was seen is that of the band.
    away = colour_terms(night.middle_um).T @ start[Q.COLOUR] / np.exp(start[Q.LOG_SLOPE])
    start[Q.ZEROS] = guesses[:, 0] - away - start[Q.ZERO]
    return start, float(guesses[:, 3].sum())
