"""The play of a night, from all frames that stood still while it was taken up.

Those frames were all taken P steps from the first of their sweep, and took no part in the fit.
With v and C the quantities of the night and their covariance, R the radius at the place x_0 + P,
J its derivatives and V the variance of the frames,

    r = radius - R(P, v),    S = J_v C J_v' + V,    dP = J_P' S^-1 r / (J_P' S^-1 J_P),

repeated until P stands, is the joint fit of v and P, but that it is linear in v; P has the variance
1 / (J_P' S^-1 J_P). All sweeps share what is not known of their slope: it stands in S, so that many
of them do not feign to know it.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..estimate import NOT_KNOWN, Estimate
from ..optics.star import lay_out
from .curve import BoundedRadii, FocusCurve
from .night import LOG_SLOPE, Night, exposures
from .posterior import Posterior
from .search import normal_equations, variance_of
from .statistics import believe

ROUNDS = 10


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """The frames that stood still: as a night, the first position of each and its way."""

    night: Night
    first_steps: np.ndarray
    way: np.ndarray


def night_play(
    night: Night,
    found: Posterior,
    curves: Sequence[FocusCurve],
    standing: Sequence[np.ndarray],
) -> Estimate:
    """Play of the sweeps of a night that turned, steps; not known where none did.

    Sweeps that disagree about it widen its uncertainty (Birge 1932).

    Parameters
    ----------
    night : Night
        Of the frames that did not stand still.
    found : Posterior
    curves : sequence of FocusCurve
        Those of ``night``, in its order.
    standing : sequence of (k,) int arrays
        Usable frames of each that stood still; none in sweeps that did not turn.
    """
    if not sum(one.size for one in standing):
        return NOT_KNOWN
    held = _held(night, curves, standing)
    values, sizes = found.fit.values, found.fit.sizes
    scatter = found.usual(found.jitter), found.usual(found.lack)
    own = variance_of(night, sizes, jitter=scatter[0], lack=scatter[1])
    known = np.linalg.inv(normal_equations(night, values, sizes, own)[0])
    play, count = _about(curves, standing), held.way.size
    for _ in range(ROUNDS):
        miss, toward, covariance = _linear(held, values, known, play_steps=play, scatter=scatter)
        told = np.linalg.solve(covariance, np.column_stack([toward, miss]))
        precision, pull = toward @ told
        play += pull / precision
        if abs(pull) < 0.01 * np.sqrt(precision):
            break
    chi2 = miss @ told[:, 1] - pull**2 / precision
    ratio = max(1.0, np.sqrt(chi2 / (count - 1))) if count > 1 else 1.0
    return Estimate(float(play), float(ratio / np.sqrt(precision)))


def _about(curves: Sequence[FocusCurve], standing: Sequence[np.ndarray]) -> float:
    """Half a spacing beyond the last frame that stood, of the middle one of the sweeps."""
    run = [np.abs(curve.position_steps - curve.position_steps[0]) for curve in curves]
    pairs = ((r, one[-1]) for r, one in zip(run, standing, strict=True) if one.size)
    return float(np.median([(r[last] + r[last + 1]) / 2 for r, last in pairs]))


def _linear(
    held: _Held,
    values: np.ndarray,
    known: np.ndarray,
    *,
    play_steps: float,
    scatter: tuple[float, float],
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Arrays r (k,), J_P (k,), S (k, k); a frame that looks wrecked counts as scattering more."""
    there = replace(held.night, position_steps=held.first_steps + held.way * play_steps)
    sizes = there.sizes(values)
    slopes, miss = there.slopes(values, sizes), there.radius_px - sizes.radius
    variance = variance_of(there, sizes, jitter=scatter[0], lack=scatter[1])
    alike = there.together.T @ there.together
    shared = slopes @ known @ slopes.T + alike * np.outer(variance.common, variance.common)
    belief = believe(miss, variance.sound, wild=variance.wild, doubt=np.diag(shared))
    toward = np.exp(values[LOG_SLOPE]) * sizes.by_blur * held.way
    return miss, toward, shared + np.diag(1 / belief.weight)


def _held(night: Night, curves: Sequence[FocusCurve], standing: Sequence[np.ndarray]) -> _Held:
    sweep = np.repeat(np.arange(len(curves)), [one.size for one in standing])
    parts = [c.to_fit().part(one) for c, one in zip(curves, standing, strict=True)]
    radii = BoundedRadii.joined(parts)
    first, last = (np.array([c.position_steps[end] for c in curves])[sweep] for end in (0, -1))
    frames = replace(
        night,
        sweep=sweep,
        position_steps=first,
        radius_px=radii.radius_px,
        sigma_px=np.nan_to_num(radii.sigma_px),
        together=exposures(curves, standing),
        stars=lay_out(night.stars.table, night.bands_nm, sweep, seen=radii.seen),
    )
    return _Held(frames, first, np.sign(last - first))
