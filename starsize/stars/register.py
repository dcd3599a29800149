"""Where the stars of one frame stand in another: shift, turn and scale between star lists."""

import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.spatial import cKDTree
from scipy.special import bdtrc
from skimage.measure import ransac
from skimage.transform import SimilarityTransform

from .star_lists import nearest, nearest_others

_BRIGHTEST = 80
_NEIGHBOURS = 6
_SHAPE_GAP = 0.01
_MIN_PAIRS = 4
_HARDLY_TURNED = 0.01
#: A match that unrelated stars would make by chance once in so many trials is none.
_CHANCE = 1e-3
#: With so large a share of all stars paired there is nothing left for another motion.
_MOST = 0.6
#: Focus and temperature change the scale of a frame by parts in a thousand.
_MIN_SCALE = 0.9


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """A similarity: ``place = matrix @ reference + shift``, pixels."""

    matrix: np.ndarray
    shift: np.ndarray
    n_pairs: int
    """Stars that confirm it."""

    def __call__(self, places: np.ndarray) -> np.ndarray:
        """Map (n, 2) places of the reference frame into the other frame."""
        return places @ self.matrix.T + self.shift

    def after(self, first: "Motion") -> "Motion":
        """Return the motion that does ``first`` and then this one."""
        return Motion(
            self.matrix @ first.matrix,
            self.matrix @ first.shift + self.shift,
            min(self.n_pairs, first.n_pairs) if first.n_pairs else self.n_pairs,
        )

    def back(self) -> "Motion":
        """Return the way back."""
        inverse = np.linalg.inv(self.matrix)
        return Motion(inverse, -inverse @ self.shift, self.n_pairs)


STILL = Motion(np.eye(2), np.zeros(2), 0)
"""No motion at all."""


def align(reference: np.ndarray, places: np.ndarray, *, tolerance_px: float) -> Motion | None:
    """Find the similarity that carries the stars of one list onto those of another.

    Triangles of neighbouring bright stars are compared by their shape, which neither shift, turn
    nor scale alters; the pairs of stars that many triangles agree on give a first motion, which
    all stars then refine.

    Parameters
    ----------
    reference, places : (n, 2), (m, 2) arrays
        ``(x, y)`` in pixels, brightest first.
    tolerance_px : float
        How far apart a star may come to lie and still be the same.

    Returns
    -------
    Motion or None
        None where fewer than four stars agree, or no more than chance would have.
    """
    if min(len(reference), len(places)) < 1:
        return None
    lists = reference, places, tolerance_px
    most = max(_MIN_PAIRS, _MOST * max(len(reference), len(places)))
    best: Motion | None = None
    for pairs in _votes(*lists):
        motion = _from_pairs(reference[pairs[:, 0]], places[pairs[:, 1]], tolerance_px)
        motion = motion and _refine(motion, reference, places, tolerance_px)
        if motion is not None and (best is None or motion.n_pairs > best.n_pairs):
            best = motion
        # Most stars paired, and not by chance: no other motion can have as many.
        if best is not None and best.n_pairs > most and not _is_chance(best, *lists):
            break
    if best is None or not _is_credible(best, len(reference), len(places)):
        return None
    return None if _is_chance(best, *lists) else best


def _is_credible(motion: Motion, n_reference: int, n_places: int) -> bool:
    """Enough pairs; where one frame shows but two or three stars, all of them and hardly moved."""
    if min(n_reference, n_places) >= _MIN_PAIRS or n_reference == n_places == 1:
        return motion.n_pairs >= min(_MIN_PAIRS, n_places)
    still = np.abs(motion.matrix - np.eye(2)).max() < _HARDLY_TURNED
    return motion.n_pairs == min(n_reference, n_places) >= 2 and bool(still)


def _is_chance(motion: Motion, reference: np.ndarray, places: np.ndarray, tolerance: float) -> bool:
    """True where unrelated stars as dense as these could agree as well in one of the many trials.

    Two pairs make a motion; each further star that lies in the other frame falls upon one of its
    stars with the chance that these cover the place.
    """
    if min(len(reference), len(places)) < _MIN_PAIRS:
        return False
    low, high = places.min(axis=0) - tolerance, places.max(axis=0) + tolerance
    moved = motion(reference)
    inside = int(((moved >= low) & (moved <= high)).all(axis=1).sum())
    covered = min(1.0, len(places) * np.pi * tolerance**2 / float(np.prod(high - low)))
    trials = 2 * min(len(reference), _BRIGHTEST) * min(len(places), _BRIGHTEST)
    # bdtrc(k, n, p): chance of more than k successes in n trials.
    more = max(motion.n_pairs - 3, 0)
    return trials * float(bdtrc(more, max(inside - 2, more), covered)) > _CHANCE


def _votes(reference: np.ndarray, places: np.ndarray, tolerance: float) -> Iterator[np.ndarray]:
    """Pairs of stars that may be the same, as one motion after the other suggests."""
    yield from _shift_votes(reference, places, tolerance)
    yield from _triangle_votes(reference, places)


def _shift_votes(
    reference: np.ndarray, places: np.ndarray, tolerance: float
) -> Iterator[np.ndarray]:
    """Pairs that share one shift, the frame kept or turned by half a turn."""
    a, b = reference[:_BRIGHTEST], places[:_BRIGHTEST]
    for sign in (1, -1):
        gaps = (b[None, :, :] - sign * a[:, None, :]).reshape(-1, 2)
        counts = cKDTree(gaps).query_ball_point(gaps, tolerance, return_length=True)
        near = np.hypot(*(gaps - gaps[np.argmax(counts)]).T) <= tolerance
        pairs = np.stack(np.unravel_index(np.flatnonzero(near), (len(a), len(b))), axis=1)
        if sign == 1 or len(pairs) >= 3:
            yield pairs


def _triangle_votes(reference: np.ndarray, places: np.ndarray) -> list[np.ndarray]:
    """Pairs of stars that most triangles of like shape agree on."""
    corners_a, shape_a = _triangles(reference[:_BRIGHTEST])
    corners_b, shape_b = _triangles(places[:_BRIGHTEST])
    if not len(corners_a) or not len(corners_b):
        return []
    votes = np.zeros((_BRIGHTEST, _BRIGHTEST), int)
    for i, matches in enumerate(cKDTree(shape_b).query_ball_point(shape_a, _SHAPE_GAP)):
        for j in matches:
            votes[corners_a[i], corners_b[j]] += 1
    pairs = [
        (i, j) for i, j in enumerate(votes.argmax(axis=1))
        if votes[i, j] >= 2 and votes[:, j].argmax() == i
    ]  # fmt: skip
    return [np.array(pairs)] if len(pairs) >= 3 else []


def _triangles(places: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Corners of the triangles of near neighbours, and two ratios of sides for each.

    Corners stand opposite the longest, middle and shortest side, so that like triangles list like
    corners; the second ratio carries the sign of the turn, so that mirror images differ.
    """
    if len(places) < 3:
        return np.zeros((0, 3), int), np.zeros((0, 2))
    near = nearest_others(places, min(_NEIGHBOURS, len(places) - 1))[1]
    triples = {
        tuple(sorted((i, p, q))) for i, row in enumerate(near) for p, q in combinations(row, 2)
    }
    corners = np.array(sorted(triples))
    points = places[corners]
    sides = np.stack(
        [np.hypot(*(points[:, (c + 1) % 3] - points[:, (c + 2) % 3]).T) for c in range(3)], axis=1
    )
    order = np.argsort(-sides, axis=1)
    corners = np.take_along_axis(corners, order, 1)
    sides = np.take_along_axis(sides, order, 1)
    p = places[corners]
    (ax, ay), (bx, by) = (p[:, 1] - p[:, 0]).T, (p[:, 2] - p[:, 0]).T
    turn = np.sign(ax * by - ay * bx)
    long = np.maximum(sides[:, 0], 1e-9)
    return corners, np.stack([sides[:, 1] / long, turn * sides[:, 2] / long], axis=1)


def _from_pairs(reference: np.ndarray, places: np.ndarray, tolerance: float) -> Motion | None:
    """Similarity that most of the pairs agree on, fitted to those."""
    if len(reference) == 0:
        return None
    if len(reference) == 1:
        return Motion(np.eye(2), places[0] - reference[0], 1)
    with warnings.catch_warnings():
        # "No inliers found": the caller hears it as None.
        warnings.simplefilter("ignore", UserWarning)
        found, agree = ransac(
            (reference, places),
            SimilarityTransform,
            min_samples=2,
            residual_threshold=tolerance,
            is_model_valid=lambda model, *_: _MIN_SCALE < model.scale < 1 / _MIN_SCALE,
            stop_probability=0.9999,
            rng=0,
        )
    if not found:
        return None
    return Motion(found.params[:2, :2], found.params[:2, 2], int(np.count_nonzero(agree)))


def _refine(
    motion: Motion, reference: np.ndarray, places: np.ndarray, tolerance: float
) -> Motion | None:
    """Fit again to every star that finds a partner, until the partners no longer change."""
    for reach in (3 * tolerance, tolerance, tolerance):
        gap, partner = nearest(places, motion(reference), reach=reach)
        paired = np.flatnonzero(np.isfinite(gap))
        fitted = _from_pairs(reference[paired], places[partner[paired]], tolerance)
        if fitted is None:
            return None
        motion = fitted
    return motion
