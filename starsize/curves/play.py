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
from .guess import guess_hyperbola
from .night import COLOUR, FIRST, LOG_SLOPE, PLAY, ZERO, Night
from .posterior import Posterior, averaged, explain
from .search import COARSE_JITTER, COARSE_LACK, SCREENING, WIDE, Fit, descend, variance_of
from .statistics import PRIORS, believe

LEAST_FRAMES = 7
LEAST_MOVING = 4
"""Frames of a sweep that can show play, and that must have moved for it to be read."""
SURE = 0.995
"""Play is named where it is more likely than this. One frame that is too small is about as likely
play as a wreck, so it never suffices; two of one sweep, or of two, mostly do."""
MAY_BE = 0.2
"""From this chance on, first frames off the curve may have been play instead of wrecks."""
NO_COLOUR = np.zeros(3)


class Start(NamedTuple):
    """How many first frames of a sweep stood still, if it turned; the play where it is sure."""

    standing: int = 0
    play: Estimate = NOT_KNOWN


def explain_with_play(night: Night) -> tuple[Night, Posterior, list[Start]]:
    """Explain a night with play and without; returned is the likelier one of the two."""
    found = explain(night)
    first = (night.position_steps == night.first_steps) & (_way(night)[night.sweep] != 0)
    first &= ~night.inner
    # Only where a first frame is rather wrecked than before looking.
    tried = _turned(night) if np.any(found.sound[first] < 1 - PRIORS.wrecked) else None
    starts = [Start()] * len(night.bands)
    if tried is None:
        return night, found, starts
    turned, share, mixed = tried
    with_it = explain(turned)
    odds = np.log(PRIORS.play) + mixed + share * (with_it.log_evidence - found.log_evidence)
    chance = float(expit(odds)) if 0 < with_it.fit.values[PLAY] < _furthest(turned) else 0.0
    if chance > MAY_BE:
        play = with_it.quantity(PLAY)
        stood = np.bincount(night.sweep, turned.standing(with_it.fit.values) & ~night.inner)
        starts = [Start(int(n), play if n and chance > SURE else NOT_KNOWN) for n in stood]
    if chance > SURE:
        return turned, with_it, starts
    parts = np.array([1 - chance, chance])
    both = averaged((found, with_it), parts, log_evidence=found.log_evidence)
    return (turned if chance > 0.5 else night), replace(both, sound=found.sound), starts


def _turned(night: Night) -> tuple[Night, float, float] | None:
    """The night with those sweeps turned that are likelier so; None where play is out of sight.

    And what share of the evidence counts, and the log of the product over the sweeps.
    """
    way, usual = _way(night), {"jitter": PRIORS.jitter, "lack": PRIORS.lack}
    able = replace(night, turned=way[night.sweep])
    spacing = float(night.prior.scale[PLAY])
    # In the middle between two frames, by hyperbolas.
    tried = [_moved(able, steps) for steps in np.arange(spacing / 2, _furthest(able), spacing)]
    if not tried:
        return None
    start, _ = min(tried, key=lambda one: one[1])
    # With tight variances frames that stood pass for wrecked, and no play is found.
    fit = descend(able, start, jitter=COARSE_JITTER, lack=COARSE_LACK, steps=SCREENING)
    fit = descend(able, fit.values, **usual, steps=WIDE)
    gain, sets = np.where(way != 0, _gain(able, fit, **usual), 0.0), _sets(night)
    count = np.bincount(sets)[sets]
    mean = np.bincount(sets, gain)[sets] / count
    on = mean > 0
    if not on.any():
        return None
    mixed = float(((np.log1p(np.exp(-np.abs(mean))) - np.log(2)) / count)[way != 0].sum())
    turned = replace(night, turned=np.where(on, way, 0.0)[night.sweep])
    turned = replace(turned, start=_moved(turned, float(fit.values[PLAY]))[0], near=None)
    return turned, float((mean / count)[on].sum() / gain[on].sum()), mixed


def _gain(night: Night, fit: Fit, **scatter: float) -> np.ndarray:
    """By how much ln likelihood of each sweep is larger turned than run in: (m,).

    What sweeps share is that of the fit.
    """
    held = night.prior.held(np.arange(fit.values.size) < FIRST, fit.values)
    run_in = replace(night, turned=0 * night.turned, prior=held)
    start = _moved(run_in, 0.0, fit.values[COLOUR])[0]
    start[:FIRST] = fit.values[:FIRST]
    other = descend(run_in, start, **scatter, steps=SCREENING)
    return _log_likelihoods(night, fit, **scatter) - _log_likelihoods(run_in, other, **scatter)


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
    night: Night, steps: float, colour_px: np.ndarray = NO_COLOUR
) -> tuple[np.ndarray, float]:
    """Quantities to start from where the play is ``steps``, and the misfit of hyperbolas there."""
    start = night.start.copy()
    start[PLAY], start[COLOUR] = steps, colour_px
    places, middle = night.places(start), np.array([b.wavelength_nm for b in night.bands])
    mine = [night.frames(k) for k in range(middle.size)]
    guesses = [guess_hyperbola(places[m], night.radius_px[m]) for m in mine]
    best = np.array([guess.best_steps for guess in guesses])
    # The zero is the focus of 550 nm; what was seen is that of the band.
    away = colour_terms(1e-3 * middle).T @ colour_px / np.exp(start[LOG_SLOPE])
    start[FIRST::3] = best - away - start[ZERO]
    return start, sum(guess.misfit for guess in guesses)


def _log_likelihoods(night: Night, fit: Fit, *, jitter: float, lack: float) -> np.ndarray:
    """Of the frames of each sweep: (m,)."""
    variance = variance_of(night, fit.sizes, jitter=jitter, lack=lack)
    miss = night.radius_px - fit.sizes.radius
    belief = believe(miss, variance.sound, wild=variance.wild, doubt=variance.common**2)
    return np.bincount(night.sweep, belief.log_likelihood * ~night.inner)
