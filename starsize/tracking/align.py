"""Where the stars of one frame stand in another: shift, turn and scale between star lists."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import bdtrc

_FEWEST = 4
#: Stars of either list, brightest first, whose pairs are compared: few at first, then more.
_BRIGHTEST = (15, 40)
_MOST_PAIRS = 300
#: A match that unrelated stars would make by chance once in so many trials is none.
_CHANCE = 1e-4
#: Focus and temperature change the scale of a frame by parts in a thousand.
_SCALE_TOLERANCE = 0.005


@dataclass(frozen=True, slots=True)
class Motion:
    """A similarity of the plane, x + iy: ``place = turn * reference + shift``, pixels."""

    turn: complex
    shift: complex

    def __call__(self, places: np.ndarray) -> np.ndarray:
        """Map (n, 2) places of the reference frame into the other frame."""
        return _pairs(self.turn * _numbers(places) + self.shift)

    def after(self, first: "Motion") -> "Motion":
        """Return the motion that does ``first`` and then this one."""
        return Motion(self.turn * first.turn, self.turn * first.shift + self.shift)

    def back(self) -> "Motion":
        """Return the way back."""
        return Motion(1 / self.turn, -self.shift / self.turn)


STILL = Motion(1.0, 0.0)
"""No motion at all."""


def nearest(among: np.ndarray, places: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows of ``places`` and of ``among`` that are each other's nearest within ``reach``."""
    if min(len(among), len(places)) == 0:
        return np.zeros(0, int), np.zeros(0, int)
    gap, there = map(np.asarray, cKDTree(among).query(places, distance_upper_bound=reach))
    here = np.flatnonzero(np.isfinite(gap))
    back = cKDTree(places).query(among[there[here]])[1]
    mutual = back == here
    return here[mutual], there[here[mutual]]


def align(
    reference: np.ndarray,
    places: np.ndarray,
    *,
    tolerance_px: float,
    scale: float = 1.0,
    guesses: tuple[Motion, ...] = (STILL,),
) -> Motion | None:
    """Find the similarity that carries the stars of one list onto those of another.

    The guesses are tried first. Else each two stars of one list with each two as far apart in the
    other make a motion, and the motion that most of these agree on is refined with all stars.

    Parameters
    ----------
    reference, places : (n, 2), (m, 2) arrays
        ``(x, y)`` in pixels, brightest first.
    tolerance_px : float
        How far apart a star may come to lie and still be the same.
    scale : float
        Pixels of ``places`` in one of ``reference``, along an axis.
    guesses : tuple of Motion

    Returns
    -------
    Motion or None
        None where no more stars agree than chance would have.
    """
    if min(len(reference), len(places)) < _FEWEST:
        return None
    lists = reference, places, tolerance_px
    for guess in guesses:
        if (found := _confirmed(guess, *lists, trials=1)) is not None:
            return found
    for count in _BRIGHTEST:
        a, b = reference[:count], places[:count]
        best = _most_agreed(a, b, tolerance_px, scale)
        if best and (found := _confirmed(best, *lists, trials=(len(a) * len(b)) ** 2 / 4)):
            return found
    return None


def _confirmed(
    motion: Motion,
    reference: np.ndarray,
    places: np.ndarray,
    tolerance: float,
    *,
    trials: float,
) -> Motion | None:
    """Refine a motion with every star that finds a partner; None if they may do so by chance."""
    z, target = _numbers(reference), _numbers(places)
    here = there = np.zeros(0, int)
    for reach in (3 * tolerance, tolerance, tolerance):
        there, here = nearest(motion(reference), places, reach)
        if len(here) < _FEWEST:
            return None
        motion = _fitted(z[here], target[there])
    there, here = nearest(motion(reference), places, tolerance)
    chance = trials * _chance(len(here), motion(reference), places, tolerance)
    return motion if chance < _CHANCE else None


def _fitted(z: np.ndarray, target: np.ndarray) -> Motion:
    """Least-squares similarity between paired points (as complex numbers, one line)."""
    a, b = z - z.mean(), target - target.mean()
    turn = complex(np.vdot(a, b) / max(np.vdot(a, a).real, 1e-9))
    return Motion(turn, complex(target.mean() - turn * z.mean()))


def _chance(n_pairs: int, moved: np.ndarray, places: np.ndarray, tolerance: float) -> float:
    """How likely unrelated stars as dense as these would agree as well.

    Two pairs make a motion; each further star that lies in the other frame falls upon one of its
    stars with the chance that these cover the place.
    """
    low, high = places.min(axis=0) - tolerance, places.max(axis=0) + tolerance
    inside = int(((moved >= low) & (moved <= high)).all(axis=1).sum())
    covered = min(1.0, len(places) * np.pi * tolerance**2 / float(np.prod(high - low)))
    # bdtrc(k, n, p): chance of more than k successes in n trials.
    more = max(n_pairs - 3, 0)
    return float(bdtrc(more, max(inside - 2, more), covered))


def _most_agreed(
    reference: np.ndarray, places: np.ndarray, tolerance: float, scale: float
) -> Motion | None:
    """The motion with most others near it among those that two stars and two stars make."""
    z, target = _numbers(reference), _numbers(places)
    i, j = np.triu_indices(len(z), 1)
    some = slice(None, None, 1 + len(i) // _MOST_PAIRS)
    i, j = i[some], j[some]
    k, m = np.nonzero(~np.eye(len(target), dtype=bool))
    step, there = (z[j] - z[i]) * scale, target[m] - target[k]
    order = np.argsort(np.abs(there))
    length, slack = np.abs(step), 2 * tolerance + _SCALE_TOLERANCE * np.abs(step)
    # The turn that a short pair gives is too coarse to agree with others.
    low, high = np.searchsorted(np.abs(there)[order], [length - slack, length + slack])
    count = np.where(length > 12 * tolerance, high - low, 0)
    if not count.any():
        return None
    first = np.repeat(np.arange(len(i)), count)
    second = order[np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + low[first]]
    turn = there[second] / step[first] * scale
    middle = z.mean()
    landed = target[k[second]] + turn * (middle - z[i[first]])
    size = np.abs(z - middle).max()
    votes = np.stack([landed.real, landed.imag, turn.real * size, turn.imag * size], 1)
    near = cKDTree(votes).query_ball_point(votes, 4 * tolerance, return_length=True)
    if (best := int(near.argmax())) == 0 and near[0] < 3:
        return None
    return Motion(complex(turn[best]), complex(landed[best] - turn[best] * middle))


def _numbers(places: np.ndarray) -> np.ndarray:
    return places[:, 0] + 1j * places[:, 1]


def _pairs(numbers: np.ndarray) -> np.ndarray:
    return np.stack([numbers.real, numbers.imag], axis=1)
