"""The same star through the frames of a sweep, and through the sweeps of a night."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..frames.frame import FrameFacts
from ..photometry import Known, StarFlag
from ..photometry.combine import weighted_median
from ..photometry.judge import SAME_LIGHT
from .align import STILL, Motion, align, nearest, xy
from .measured import StarTracks
from .tasks import Look

_LIST_LENGTH = 400
#: A frame is looked at again where so much of what it shows is in no other frame.
_STRANGERS = 0.4
_NO_STAR = int(StarFlag.SHAPE | StarFlag.FAINT | StarFlag.UNMEASURED)
_MOST_FIELDS = 5
#: A field with too few stars to tell how it moved drifts by so much from frame to frame.
_DRIFT_PX = 10.0
#: A star is seen in so many other frames at least.
_TWICE = 2
#: Stars of the sharpest frame are about as large as each other.
_SAME_SIZE = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Aligned:
    """The frames of a sweep laid on each other.

    ``first`` is the frame that shows most; ``motions`` lead from it to each, None where too few of
    its stars agree; ``again`` says which of the stars behind its radius others show too.
    """

    first: int
    motions: list[Motion | None]
    again: np.ndarray


def _tells(motions: Sequence[Motion | None]) -> bool:
    """Whether stars agree on how the field moved to any other frame."""
    return sum(motion is not None for motion in motions) > 1


def motion_to(motions: Sequence[Motion | None], j: int) -> Motion:
    """To frame ``j``, or as to the nearest frame that tells: a lone star may stand still."""
    told = np.array([k for k, motion in enumerate(motions) if motion is not None])
    return motions[told[np.argmin(np.abs(told - j))]] or STILL


def lay_out(looks: Sequence[Look]) -> Aligned:
    """Find the frame that shows most, how the field moved from it to each, and what comes again.

    That is the one with the most and sharpest stars that are in other frames too, though the edge
    may cut them: a speck comes once, what is no star gives other light each time, and a knot of
    nebula is never sharp.
    """
    first = max(range(len(looks)), key=lambda j: np.count_nonzero(looks[j].stars.flags == 0))
    motions = _motions_of(looks, first)
    again = [_again(looks, motions, j) for j in range(len(looks))]
    sharp = [np.sum(1 / look.stars.radius[a]) for look, a in zip(looks, again, strict=True)]
    if max(sharp) > 0 and (best := int(np.argmax(sharp))) != first:
        first, motions = best, _motions_of(looks, best)
    sure, radius = again[first], looks[first].stars.radius
    if sure.any():
        typical = weighted_median(radius[sure], 1 / radius[sure])
        sure = sure & (radius < _SAME_SIZE * typical)
    return Aligned(first, motions, sure)


def _again(looks: Sequence[Look], motions: Sequence[Motion | None], j: int) -> np.ndarray:
    """Which whole stars of frame ``j`` stand, with their light, in two others at least."""
    good = looks[j].stars.flags & ~int(StarFlag.EDGE | StarFlag.SHAPE) == 0
    drift, light = 0.0 if _tells(motions) else _DRIFT_PX, looks[j].stars.flux[good]
    count = np.zeros(len(good), int)
    here = motion_to(motions, j).back()(places_of(looks[j])[good])
    for k, look in enumerate(looks):
        size = reach(looks[j].frame.radius_px, look.frame.radius_px)
        there = motion_to(motions, k)(here)
        other, mine = nearest(there, places_of(look), max(drift, size))
        share = look.stars.flux[other] / light[mine]
        same = (share > 1 / SAME_LIGHT) & (share < SAME_LIGHT)
        count[np.flatnonzero(good)[mine[same]]] += k != j
    return count >= _TWICE


def places_of(look: Look) -> np.ndarray:
    """Places of the stars of a look as complex numbers, brightest first."""
    return np.asarray(look.stars.x + 1j * look.stars.y)


def _motions_of(looks: Sequence[Look], first: int) -> list[Motion | None]:
    """From one frame of a sweep to each: None where too few of its stars agree."""
    best = looks[first]
    motions: list[Motion | None] = [None] * len(looks)
    motions[first] = STILL
    last = {True: STILL, False: STILL}
    # Outward from that frame, so that a drift goes on from one frame to the next.
    for j in sorted(set(range(len(looks))) - {first}, key=lambda j: abs(j - first)):
        lists = (places_of(look)[:_LIST_LENGTH] for look in (best, looks[j]))
        tolerance = reach(best.frame.radius_px, looks[j].frame.radius_px)
        motions[j] = align(*lists, tolerance_px=tolerance, guesses=(last[j > first], STILL))
        last[j > first] = motions[j] or last[j > first]
    return motions


def known_stars(looks: Sequence[Look], laid: Aligned) -> list[Known | None]:
    """Tell each frame of a sweep of the good stars of the one that shows most.

    None where a frame needs no second look. It does where so much of what it shows is not seen
    there, or so many of the stars behind its radius are none there: sky left over, a knot of
    nebula, a satellite's trail, a cosmic ray.
    """
    best, lone = looks[laid.first], not _tells(laid.motions)
    good = laid.again if laid.again.any() else best.stars.flags == 0
    if not good.any():
        return [None] * len(looks)
    # What is as good there, but does not come again, is no star.
    shown = good | (best.stars.flags & ~int(StarFlag.SHAPE) != 0)
    near, stars = reach(best.frame.radius_px), shown & (best.stars.flags & _NO_STAR == 0)
    seen = [motion_to(laid.motions, j)(places_of(best)) for j in range(len(looks))]
    if lone:
        near = max(near, _DRIFT_PX)
        seen = [_followed(look, there, near) for look, there in zip(looks, seen, strict=True)]
    size = [_size_of(look, there[good], near) for look, there in zip(looks, seen, strict=True)]
    # A lone star that most frames show in one place has not moved in the others.
    stands = 2 * np.isfinite(size).sum() > len(looks)
    hints: list[Known | None] = [None] * len(looks)
    for j, (look, known) in enumerate(zip(looks, seen, strict=True)):
        here, own = places_of(look), look.stars.flags == 0
        pairs = (known[shown], here[:_LIST_LENGTH]), (known[stars], here[own])
        shared = [len(nearest(there, mine, near)[0]) / max(len(mine), 1) for there, mine in pairs]
        told = stands or laid.motions[j] is not None
        if min(shared) < 1 - _STRANGERS and (told or not _as_bright(look, best, good)):
            hints[j] = Known(xy(known[good]), _expected(looks, size, j), best.stars.flux[good])
    return hints


def _followed(look: Look, places: np.ndarray, near: float) -> np.ndarray:
    """Places, those of stars that the look shows near them where it shows them."""
    which, there = nearest(places_of(look), places, near)
    followed = places.copy()
    followed[which] = places_of(look)[there]
    return followed


def _size_of(look: Look, places: np.ndarray, near: float) -> float:
    """About how large the stars at these places are in a look; NaN where it shows none of them."""
    which = nearest(places, places_of(look), near)[0]
    return float(np.median(look.stars.radius[which])) if len(which) else np.nan


def _expected(looks: Sequence[Look], size: Sequence[float], j: int) -> float:
    """The size in a frame, or if it is not known, in those taken nearest to its position."""
    if np.isfinite(size[j]):
        return size[j]
    position = np.array([look.frame.facts.position_steps for look in looks], float)
    known = np.array(size)[np.argsort(np.abs(position - position[j]))]
    return float(np.median(known[np.isfinite(known)][:2]))


def _as_bright(look: Look, best: Look, good: np.ndarray) -> bool:
    """Whether the brightest stars of both are as bright: then they are the same, but moved."""
    here = np.max(look.stars.flux[look.stars.flags == 0], initial=0.0)
    there = np.max(best.stars.flux[good], initial=0.0)
    return bool(there / SAME_LIGHT < here < there * SAME_LIGHT)


def tracks_of(looks: Sequence[Look], laid: Aligned) -> StarTracks:
    """Radii of the stars of the frame that shows most in each frame of its sweep."""
    best = looks[laid.first]
    places = places_of(best)
    shape = len(places), len(looks)
    radius, sigma = np.full((2, *shape), np.nan)
    seen = np.full((*shape, 2), np.nan)
    flags = np.full(shape, int(StarFlag.UNMEASURED))
    for j, (look, motion) in enumerate(zip(looks, laid.motions, strict=True)):
        if motion is None:
            continue
        tolerance = reach(best.frame.radius_px, look.frame.radius_px)
        mine, star = nearest(motion(places), places_of(look), tolerance)
        radius[star, j] = look.stars.radius[mine]
        sigma[star, j] = look.stars.radius_sigma[mine]
        flags[star, j] = look.stars.flags[mine]
        seen[star, j] = xy(places_of(look)[mine])
    return StarTracks(
        x_px=places.real,
        y_px=places.imag,
        radius_px=radius,
        radius_sigma_px=sigma,
        flags=flags,
        seen_px=seen,
        identity=np.full(len(places), -1),
    )


def reach(*radii_px: float) -> float:
    """How far apart two sightings of a star may lie; the centre of a ring is less certain."""
    return max(2.5, 0.4 * max(np.nan_to_num(radii_px)))


def recognise(
    tracks: Sequence[StarTracks], facts: Sequence[FrameFacts], radii_px: Sequence[float]
) -> tuple[StarTracks, ...]:
    """Give each star of a night one number in all sweeps.

    The sweep that shows most stars comes first. The others are matched with it, else with the
    one matched last: drift, dither, a meridian flip and other binning between the filters are
    followed. Sweeps of another field are brought together likewise.

    ``facts`` and half-flux ``radii_px`` are those of the reference frame of each sweep.
    """
    named = list(tracks)
    places = [t.x_px + 1j * t.y_px for t in tracks]
    views = list(zip(places, facts, radii_px, strict=True))
    left = sorted(range(len(tracks)), key=lambda k: -len(places[k]))
    number = 0
    for pointing in range(_MOST_FIELDS):
        if not left or len(places[left[0]]) < 4:
            break
        base, motions = left[0], {left[0]: STILL}
        for k in left[1:]:
            for other in dict.fromkeys((base, list(motions)[-1])):
                step = _between(views[other], views[k])
                if step is not None:
                    motions[k] = step.after(motions[other])
                    break
        known = places[base]
        for k, motion in motions.items():
            here = motion.back()(places[k])
            scale = abs(1 / motion.turn)
            mine, theirs = nearest(known, here, reach(radii_px[base], scale * radii_px[k]))
            identity = np.full(len(here), -1)
            identity[mine] = number + theirs
            new = np.flatnonzero(identity < 0)
            identity[new] = number + len(known) + np.arange(len(new))
            known = np.concatenate([known, here[new]])
            named[k] = replace(tracks[k], identity=identity, pointing=pointing)
        number += len(known)
        left = [k for k in left if k not in motions]
    return tuple(named)


#: Places of the stars of a sweep's reference frame, its facts, and its half-flux radius.
_View = tuple[np.ndarray, FrameFacts, float]


def _between(one: _View, other: _View) -> Motion | None:
    """The motion from one sweep's reference frame to another's, whatever their binning."""
    for scale in _scales(one[1], other[1]):
        tolerance = scale * reach(one[2], other[2] / scale)
        lists = one[0][:_LIST_LENGTH], other[0][:_LIST_LENGTH]
        if (found := align(*lists, tolerance_px=tolerance, scale=scale)) is not None:
            return found
    return None


def _scales(a: FrameFacts, b: FrameFacts) -> list[float]:
    """Pixels of frame ``b`` to one of ``a`` along an axis: as stated, as sizes suggest, one."""
    stated = a.pixel_um / b.pixel_um if a.pixel_um and b.pixel_um else a.binning / b.binning
    size = b.shape[0] / a.shape[0] if a.shape[0] and b.shape[0] else 1.0
    whole = round(size) if size > 1 else 1 / round(1 / size)
    return list(dict.fromkeys([float(stated), float(whole), 1.0]))
