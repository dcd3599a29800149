"""The same stars in two lists: shift, turn and scale between them.

Places are complex numbers, x + iy in pixels.
"""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import bdtrc

#: So many stars tell how a field moved; fewer may be specks.
FEWEST = 4
#: Stars of either list, brightest first, that are looked at; those whose pairs are compared, few
#: at first, then more.
_LONGEST, _BRIGHTEST = 400, (15, 25)
#: A match that unrelated stars would make by chance once in so many trials is none.
_CHANCE = 1e-4
#: Focus and temperature change the scale of a frame by parts in a thousand.
_SCALE_TOLERANCE = 0.005


@dataclass(frozen=True, slots=True)
class Motion:
    """A similarity of the plane: ``place = turn * reference + shift``."""

    turn: complex
    shift: complex

    def __call__(self, places: np.ndarray) -> np.ndarray:
        """Map places of the reference into the other list's pixels."""
        return self.turn * places + self.shift

    def back(self) -> "Motion":
        """Return the way back."""
        return Motion(1 / self.turn, -self.shift / self.turn)


STILL = Motion(1.0, 0.0)
"""No motion at all."""


def xy(places: np.ndarray) -> np.ndarray:
    """(n, 2) places of complex ones."""
    return np.stack([places.real, places.imag], axis=1)


def nearest(among: np.ndarray, places: np.ndarray, reach: float) -> tuple[np.ndarray, np.ndarray]:
    """Rows of ``places`` and of ``among`` that are each other's nearest within ``reach``."""
    if min(len(among), len(places)) == 0:
        return np.zeros(0, int), np.zeros(0, int)
    left, right = xy(among), xy(places)
    there = np.asarray(cKDTree(left).query(right, distance_upper_bound=reach)[1])
    here = np.flatnonzero(there < len(among))
    there = there[here]
    both = np.asarray(cKDTree(right).query(left[there])[1]) == here
    return here[both], there[both]


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

    Places are brightest first; a star within ``tolerance_px`` may be the same; ``scale`` is in
    pixels of ``places`` to one of ``reference``. None where no more stars agree than chance has.
    """
    if min(len(reference), len(places)) < FEWEST:
        return None
    lists = reference[:_LONGEST], places[:_LONGEST], tolerance_px
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
    motion: Motion, reference: np.ndarray, places: np.ndarray, tolerance: float, *, trials: float
) -> Motion | None:
    """Refine a motion with every star that finds a partner; None if they may do so by chance.

    Two pairs make a motion; each further star that lies in the other frame falls upon one of its
    stars with the chance that these cover the place.
    """
    for reach in (3 * tolerance, tolerance, tolerance):
        there, here = nearest(motion(reference), places, reach)
        if len(here) < FEWEST:
            return None
        z, target = reference[here], places[there]
        turn = complex(np.vdot(z - z.mean(), target) / max(np.var(z) * len(z), 1e-9))
        motion = Motion(turn, complex(target.mean() - turn * z.mean()))
    pairs = len(nearest(motion(reference), places, tolerance)[0])
    moved, low, high = xy(motion(reference)), xy(places).min(0), xy(places).max(0)
    inside = int(np.all((low - tolerance <= moved) & (moved <= high + tolerance), axis=1).sum())
    area = float(np.prod(high - low + 2 * tolerance))
    covered = min(1.0, len(places) * np.pi * tolerance**2 / area)
    # bdtrc(k, n, p): chance of more than k successes in n trials.
    more = max(pairs - 3, 0)
    chance = trials * float(bdtrc(more, max(inside - 2, more), covered))
    return motion if chance < _CHANCE else None


def _most_agreed(
    reference: np.ndarray, places: np.ndarray, tolerance: float, scale: float
) -> Motion | None:
    """The motion with most others near it among those that two stars and two stars make."""
    i, j = np.triu_indices(len(reference), 1)
    k, m = np.nonzero(~np.eye(len(places), dtype=bool))
    step, there = (reference[j] - reference[i]) * scale, places[m] - places[k]
    length = np.abs(step)[:, None]
    alike = np.abs(np.abs(there) - length) < 2 * tolerance + _SCALE_TOLERANCE * length
    # The turn that a short pair gives is too coarse to agree with others.
    first, second = np.nonzero(alike & (length > 12 * tolerance))
    if len(first) == 0:
        return None
    turn = there[second] / step[first] * scale
    middle = reference.mean()
    landed = places[k[second]] + turn * (middle - reference[i[first]])
    turned = turn * np.abs(reference - middle).max()
    votes = np.stack([landed.real, landed.imag, turned.real, turned.imag], 1)
    near = cKDTree(votes).query_ball_point(votes, 4 * tolerance, return_length=True)
    if (best := int(near.argmax())) == 0 and near[0] < 3:
        return None
    return Motion(complex(turn[best]), complex(landed[best] - turn[best] * middle))
