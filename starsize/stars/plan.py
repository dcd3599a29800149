"""Which stars to follow through a sweep, and where each frame has them."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from .frame_tasks import MAX_STARS, Survey
from .neighbours import NEIGHBOUR_SHARE, Neighbours
from .register import STILL, Motion, align
from .star_lists import nearest
from .survey import Found

#: A neighbour within so many half-flux radii of the most defocused frame spoils a star there.
_ALONE = 2.4
_LIST_LENGTH = 400


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """The stars of a sweep in its reference frame, and the way from there to each frame.

    Attributes
    ----------
    reference : int
        Index of the reference frame.
    ranked : (m,) int array
        What could be followed, as rows of ``around``, best first.
    around : Neighbours
        Everything that shines in the reference frame.
    motions : tuple of Motion or None
        One a frame; None where its stars do not match.
    """

    reference: int
    ranked: np.ndarray
    around: Neighbours
    motions: tuple[Motion | None, ...]

    @property
    def stars(self) -> np.ndarray:
        """The stars to follow, as rows of ``around``."""
        return self.ranked[:MAX_STARS]

    @property
    def places(self) -> np.ndarray:
        """Where they stand in the reference frame, pixels; (n, 2)."""
        return self.around.places[self.stars]

    def without(self, stuck: np.ndarray) -> "Plan":
        """Return the plan that does not follow these rows of ``around`` (bool array)."""
        return replace(self, ranked=self.ranked[~stuck[self.ranked]])

    def places_in(self, frame: int) -> np.ndarray:
        """Where the stars stand in a frame (in the reference frame if that is not known)."""
        return (self.motions[frame] or STILL)(self.places)

    def neighbours_in(self, frame: int, found: Found) -> Neighbours:
        """What shines in a frame: all of the reference frame, and what else was found there."""
        known = (self.motions[frame] or STILL)(self.around.places)
        if len(found.x) == 0 or len(known) == 0:
            return Neighbours(known, self.around.brightness)
        own = np.stack([found.x, found.y], 1)
        gap, closest = nearest(known, own)
        new = gap > max(2.0, 1.5 * found.radius_px)
        if new.all():
            return Neighbours(known, self.around.brightness)
        # Brightness counts in the unit of the frame it was seen in; shared stars give the ratio.
        ratio = np.median(self.around.brightness[closest[~new]] / found.peak[~new])
        return Neighbours(
            np.concatenate([known, own[new]]),
            np.concatenate([self.around.brightness, found.peak[new] * ratio]),
        )


def plan_sweep(surveys: Sequence[Survey]) -> Plan:
    """Choose the reference frame, the stars to follow, and register every frame."""
    counts = np.array([len(s.found.x) for s in surveys])
    sharpness = np.array([-s.found.radius_px for s in surveys])
    # The frame that shows most; where several show as much, the sharpest.
    rich = counts >= 0.9 * counts.max()
    best = int(np.argmax(np.where(rich, sharpness, -np.inf)))
    found = surveys[best].found
    everything = Neighbours(np.stack([found.x, found.y], 1), found.peak)
    motions: list[Motion | None] = [None] * len(surveys)
    motions[best] = STILL
    # Outward from the reference, so that a frame far from it can lean on the one before.
    for j in sorted(range(len(surveys)), key=lambda j: abs(j - best)):
        if j != best:
            motions[j] = _register(surveys, motions, best, j)
    used = [s.found.radius_px for s, m in zip(surveys, motions, strict=True) if m is not None]
    return Plan(best, _best_first(everything, _ALONE * max(used)), everything, tuple(motions))


def _register(
    surveys: Sequence[Survey], motions: Sequence[Motion | None], best: int, j: int
) -> Motion | None:
    """Match with the reference frame, else with the nearest frame that is already matched."""
    direct = _match(surveys[best], surveys[j])
    if direct is not None:
        return direct
    done = [k for k, motion in enumerate(motions) if motion is not None and k != best]
    for k in sorted(done, key=lambda k: abs(k - j))[:2]:
        step, before = _match(surveys[k], surveys[j]), motions[k]
        if step is not None and before is not None:
            return step.after(before)
    return None


def _match(a: Survey, b: Survey) -> Motion | None:
    lists = [np.stack([s.found.x, s.found.y], 1)[:_LIST_LENGTH] for s in (a, b)]
    tolerance = max(2.5, 0.4 * max(a.found.radius_px, b.found.radius_px))
    return align(*lists, tolerance_px=tolerance)


def _best_first(stars: Neighbours, reach: float) -> np.ndarray:
    """Order of the stars: those that stand alone first, the brighter before the fainter."""
    if len(stars.places) == 0:
        return np.zeros(0, int)
    crowded = np.zeros(len(stars.places), bool)
    pairs = cKDTree(stars.places).query_pairs(reach, output_type="ndarray")
    for star, other in (pairs.T, pairs.T[::-1]):
        matters = stars.brightness[other] > NEIGHBOUR_SHARE * stars.brightness[star]
        crowded[star[matters]] = True
    return np.lexsort((-stars.brightness, crowded))
