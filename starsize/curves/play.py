"""Play in the focuser, as the start of a sweep betrays it.

While the play is taken up the counter runs and the camera stands: at a place nearer to focus than
the counter says, for it came from there. Play of more than a spacing shows as several frames of
one radius, less than that as one frame whose stars are too small for its position, as a gust or
a cloud also leaves it. Such frames look wrecked at first; ``certain_plays`` says where it was play,
from the curves that were fitted to the night.
"""

from collections.abc import Sequence

import numpy as np
from scipy.special import expit, logsumexp

from ..estimate import NOT_KNOWN, Estimate
from .fitted import CurveFit
from .prediction import radius_at
from .statistics import PRIORS, believe

LEAST_LEFT = 5
"""Frames that must remain when the first are left out."""
LEAST_MOVING = 4
"""Frames that must have moved for the play to be read."""
PLAY_ODDS = 0.05
"""Odds that a night's sweeps show play, before looking."""
DOUBT = 0.005
"""Play is named where the chance that there is none is below this. One frame that is too small is
about as likely play as a wreck, so it never suffices; two of one sweep, or of two, mostly do."""
MAY_BE = 0.2
"""From this chance on, first frames off the curve may have been play instead of wrecks."""
LACK = 0.003
"""Relative scatter that radii have about any curve (judgement)."""


def certain_plays(fits: Sequence[CurveFit]) -> list[Estimate]:
    """How far the counter ran before the camera moved, where it is certain that it did.

    Frame i, ``t_i`` steps after the first, was taken at max(t_i, P) steps from it. A focuser has
    one play P, and a sweep turned or was run in, one as likely as the other:

        odds of play = PLAY_ODDS * integral p(P) prod_k [L_k(P) / L_k(0) + 1] / 2 dP,

    L_k averaging over where best focus lies and over which frames are wrecked, as the fit does;
    before looking, p(P) falls as 1 / (P + spacing). The channels of a colour camera share their
    wrecks: they count as one sweep of their geometric mean L_k.

    Parameters
    ----------
    fits : sequence of CurveFit
        The sweeps of a night. The frames they left out are read too.

    Returns
    -------
    list of Estimate
        Steps; not known unless there is play with all but the chance ``DOUBT``, and this sweep
        showed it more likely than not.
    """
    grids, logs = _likelihoods(fits)
    trial, odds = _shared_play(fits, grids, logs)
    together = logsumexp(odds)
    if together < np.log(1 / DOUBT - 1):
        return [NOT_KNOWN] * len(fits)
    weight = np.exp(odds - together)
    mean = float(weight @ trial)
    shared = Estimate(mean, float(np.sqrt(weight @ (trial - mean) ** 2)))
    return [
        shared if play.size and weight @ _turned(trial, play, log) > 0.5 else NOT_KNOWN
        for play, log in zip(grids, logs, strict=True)
    ]


def may_be_play(fit: CurveFit) -> bool:
    """Whether play explains this sweep, taken alone, about as well as wrecked frames do."""
    _, odds = _shared_play([fit], *_likelihoods([fit]))
    return bool(logsumexp(odds) > np.log(MAY_BE / (1 - MAY_BE)))


def _likelihoods(fits: Sequence[CurveFit]) -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Plays to be tried in each sweep, and the ln likelihood of each."""
    grids = [_play_grid(fit) for fit in fits]
    pairs = zip(fits, grids, strict=True)
    return grids, [_log_likelihood(fit, play) if play.size else play for fit, play in pairs]


def _play_grid(fit: CurveFit) -> np.ndarray:
    """Play to be tried, steps; none where the sweep cannot show any."""
    x = fit.curve.position_steps[_read(fit)]
    if not fit.answered or not fit.shape or x.size < LEAST_LEFT + 2 or not _one_way(x):
        return np.array([])
    run = np.abs(x - x[0])
    return np.arange(0.0, run[-LEAST_MOVING], run[-1] / (x.size - 1) / 40)


def _read(fit: CurveFit) -> np.ndarray:
    radius = fit.curve.radius_px
    return np.isfinite(radius) & (radius > 0)


def _log_likelihood(fit: CurveFit, play: np.ndarray) -> np.ndarray:
    """(p,) array: ln likelihood of each play, averaged over best focus and wrecks."""
    curve, seen = fit.curve, _read(fit)
    x, y, star = (a[seen] for a in (curve.position_steps, curve.radius_px, curve.radius_sigma_px))
    run, way = np.abs(x - x[0]), np.sign(x[-1] - x[0])
    shift = np.linspace(-1, 1, 41) * max(4 * fit.best_sigma_steps, run[-1] / (x.size - 1) / 2)
    margin = np.abs(shift).max()
    along = np.linspace(x.min() - margin, x.max() + margin, 200)
    camera = x[0] + way * np.maximum(run, play[:, None])
    model = np.interp(camera[:, None, :] - shift[:, None], along, radius_at(fit, along))
    seeing = fit.jitter * fit.floor_px.value**2 / model
    variance = np.nan_to_num(star) ** 2 + seeing**2 + (max(fit.lack, LACK) * model) ** 2
    each = believe(y - model, variance, wild=(PRIORS.wreck_size * model) ** 2).log_likelihood
    return logsumexp(each.sum(axis=2), axis=1)


def _shared_play(
    fits: Sequence[CurveFit], grids: Sequence[np.ndarray], logs: Sequence[np.ndarray]
) -> tuple[np.ndarray, np.ndarray]:
    """One play for the sweeps that turned: trial values, ln odds of each against none."""
    trial = np.linspace(0.0, max((g[-1] for g in grids if g.size), default=0.0), 400)
    spacing = max((40 * g[1] for g in grids if g.size), default=1.0)
    odds = np.log(PLAY_ODDS) + _log_prior(trial, spacing)
    gains: dict[tuple[object, ...], list[np.ndarray]] = {}
    for k, (fit, play, log) in enumerate(zip(fits, grids, logs, strict=True)):
        if play.size:
            gains.setdefault(_first_exposure(fit) or (k,), []).append(_gain(trial, play, log))
    for channels in gains.values():
        odds += np.logaddexp(np.mean(channels, axis=0), 0.0) - np.log(2)
    return trial, odds


def _first_exposure(fit: CurveFit) -> tuple[object, ...]:
    """What the channels of one exposure share; empty where its time is not known."""
    curve, first = fit.curve, int(np.argmax(_read(fit)))
    time = float(curve.time_mjd[first])
    known = np.isfinite(time)
    return (curve.names[first], time, float(curve.position_steps[first])) if known else ()


def _log_prior(play: np.ndarray, spacing: float) -> np.ndarray:
    log = -np.log(play + spacing)
    return log - logsumexp(log)


def _turned(trial: np.ndarray, play: np.ndarray, log: np.ndarray) -> np.ndarray:
    """(t,) array: chance that this sweep turned, given the play."""
    return expit(_gain(trial, play, log))


def _gain(trial: np.ndarray, play: np.ndarray, log: np.ndarray) -> np.ndarray:
    """(t,) array: ln likelihood of each play over that of none."""
    return np.interp(trial, play, log, right=-np.inf) - log[0]


def standing_start(fit: CurveFit, play_steps: float, spare: int = 0) -> int:
    """How many frames ``play_steps`` of play hold back.

    ``spare`` more are counted in where enough remain, one of them on the way to best focus.
    """
    position = fit.curve.position_steps
    run = np.abs(position - position[0])
    frames = int(np.sum(run < play_steps))
    wing = abs(fit.best_steps - position[0]) - run[-1] / (run.size - 1) / 2
    most = min(run.size - LEAST_LEFT, int(np.sum(run < wing)) - 1)
    return max(frames, min(frames + spare, most))


def _one_way(position_steps: np.ndarray) -> bool:
    moves = np.diff(position_steps)
    return bool(np.all(moves > 0) or np.all(moves < 0))
