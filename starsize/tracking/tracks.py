"""The same star through the frames of a sweep, and through the sweeps of a night."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from ..frames.frame import FrameFacts
from ..photometry import Known, StarFlag, Stars
from ..photometry.combine import LEAST_SCATTER, weighted_median
from ..photometry.measure import SAME_LIGHT
from .align import FEWEST, STILL, Motion, align, nearest, xy
from .measured import FrameRadius, StarTracks
from .tasks import Look
from .words import OTHER_STARS

#: A frame is looked at again where so much of what it shows is in no other frame.
_STRANGERS = 0.4
#: Or where those of them that are behind its radius have so much of the say.
_LED = 0.1
_NO_STAR = int(StarFlag.SHAPE | StarFlag.FAINT | StarFlag.UNMEASURED)
#: A star that gives the light it is known to give may be faint, cut by the edge, or touch others.
_LESSER = int(StarFlag.BLENDED | StarFlag.FAINT | StarFlag.EDGE)
_MOST_FIELDS = 5
#: A field with too few stars to tell how it moved drifts by so much from frame to frame.
_DRIFT_PX = 10.0
#: A star is seen in so many other frames at least.
_TWICE = 2
#: Stars of the sharpest frame are about as large as each other.
_SAME_SIZE = 2.0
#: From one frame to the next but one they grow or shrink by less.
_ALIKE = 3.0
#: What is known of a frame though its radius is not.
_NO_RADIUS = ("facts", "channel", "n_found", "background_adu", "background_rms_adu", "light_adu")


@dataclass(frozen=True, slots=True, eq=False)
class Aligned:
    """The frames of a sweep laid on each other.

    ``first`` is the frame that shows most; ``motions`` lead from it to each, None where too few of
    its stars agree; ``again`` says which of the stars behind its radius others show too.
    """

    first: int
    motions: list[Motion | None]
    again: np.ndarray

    @property
    def lone(self) -> bool:
        """Whether stars agree on how the field moved to no other frame."""
        return sum(motion is not None for motion in self.motions) < 2

    def motion_to(self, j: int) -> Motion:
        """To frame ``j``, or as to the nearest frame that tells: a lone star may stand still."""
        told = [k for k, motion in enumerate(self.motions) if motion is not None]
        return self.motions[min(told, key=lambda k: abs(k - j))] or STILL


def lay_out(looks: Sequence[Look]) -> Aligned:
    """Find the frame that shows most, how the field moved from it to each, and what comes again.

    That is the one with the most and sharpest stars that are in other frames too, though the edge
    may cut them: a speck comes once, what is no star gives other light each time, and a knot of
    nebula is never sharp.
    """
    first = max(range(len(looks)), key=lambda j: np.count_nonzero(looks[j].stars.flags == 0))
    laid = Aligned(first, _motions_of(looks, first), np.zeros(0, bool))
    again = _seen_again(looks, laid)
    sharp = [np.sum(1 / look.stars.radius[a]) for look, a in zip(looks, again, strict=True)]
    if max(sharp) > 0 and (best := int(np.argmax(sharp))) != first:
        laid = replace(laid, first=best, motions=_motions_of(looks, best))
    sure, radius = again[laid.first], looks[laid.first].stars.radius
    if sure.any():
        sure = sure & (radius < _SAME_SIZE * weighted_median(radius[sure], 1 / radius[sure]))
    return replace(laid, again=sure)


def _motions_of(looks: Sequence[Look], first: int) -> list[Motion | None]:
    """From one frame of a sweep to each: None where too few of its stars agree."""
    motions: list[Motion | None] = [None] * len(looks)
    motions[first] = STILL
    last = {True: STILL, False: STILL}
    # Outward from that frame, so that a drift goes on from one frame to the next.
    for j in sorted(set(range(len(looks))) - {first}, key=lambda j: abs(j - first)):
        motions[j] = align(
            looks[first].places, looks[j].places, guesses=(last[j > first], STILL),
            tolerance_px=reach(looks[first].frame.radius_px, looks[j].frame.radius_px),
        )  # fmt: skip
        last[j > first] = motions[j] or last[j > first]
    return motions


def _seen_again(looks: Sequence[Look], laid: Aligned) -> list[np.ndarray]:
    """Which whole stars of each frame stand, with their light, in two others at least."""
    count = [len(look.stars) for look in looks]
    frame, ends = np.repeat(np.arange(len(looks)), count), np.cumsum(count)
    place = np.concatenate([laid.motion_to(j).back()(one.places) for j, one in enumerate(looks)])
    light, flags = (
        np.concatenate([getattr(look.stars, name) for look in looks]) for name in ("flux", "flags")
    )
    whole = flags & ~int(StarFlag.EDGE | StarFlag.SHAPE) == 0
    size = np.array([reach(look.frame.radius_px) for look in looks])
    if laid.lone:
        size = np.maximum(size, _DRIFT_PX)
    near = cKDTree(xy(place)).query_pairs(size.max(), output_type="ndarray")
    pairs = np.concatenate([near, near[:, ::-1]])
    pairs = pairs[np.argsort(np.abs(np.diff(place[pairs])[:, 0]), kind="stable")]
    one, other = pairs[(np.diff(frame[pairs])[:, 0] != 0) & whole[pairs[:, 0]]].T
    # Those that are each other's nearest in the two frames.
    _, first = np.unique(one * len(looks) + frame[other], return_index=True)
    _, back = np.unique(other * len(looks) + frame[one], return_index=True)
    pair = np.intersect1d(first, back)
    one, other = one[pair], other[pair]
    share = light[other] / light[one]
    same = np.abs(place[one] - place[other]) < np.maximum(size[frame[one]], size[frame[other]])
    star = one[same & (share > 1 / SAME_LIGHT) & (share < SAME_LIGHT)]
    often = np.bincount(star, minlength=len(frame)) >= _TWICE
    return np.split(often & whole, ends[:-1])


def known_stars(looks: Sequence[Look], laid: Aligned) -> list[Known | None]:
    """Tell each frame of a sweep of the good stars of the one that shows most.

    None where a frame needs no second look. It does where so much of what it shows is not seen
    there, or so many of the stars behind its radius are none there: sky left over, a knot of
    nebula, a satellite's trail, a cosmic ray.
    """
    best = looks[laid.first]
    good = laid.again if laid.again.any() else best.stars.flags == 0
    if not good.any():
        return [None] * len(looks)
    # What is as good there, but does not come again, is no star.
    shown = good | (best.stars.flags & ~int(StarFlag.SHAPE) != 0)
    stars = shown & (best.stars.flags & _NO_STAR == 0)
    near = max(reach(best.frame.radius_px), _DRIFT_PX if laid.lone else 0.0)
    seen = [laid.motion_to(j)(best.places) for j in range(len(looks))]
    if laid.lone:
        seen = _followed(looks, laid.first, near)
    size = np.full(len(looks), np.nan)
    for j, (look, there) in enumerate(zip(looks, seen, strict=True)):
        if len(which := nearest(there[good], look.places, near)[0]):
            size[j] = np.median(look.stars.radius[which])
    # A lone star that most frames show in one place has not moved in the others.
    stands = 2 * np.isfinite(size).sum() > len(looks)
    hints: list[Known | None] = [None] * len(looks)
    for j, (look, there) in enumerate(zip(looks, seen, strict=True)):
        both = len(nearest(there[shown], look.places, near)[0])
        strange = both < (1 - _STRANGERS) * max(len(look.places), 1)
        strange |= _led_by_others(look.stars, nearest(there[stars], look.places, near)[0])
        told = stands or laid.motions[j] is not None
        if strange and (told or not _as_bright(look, best, good)):
            hints[j] = Known(xy(there[good]), _expected(looks, size, j), best.stars.flux[good])
    return hints


def _led_by_others(stars: Stars, known: np.ndarray) -> bool:
    """Whether others than the known stars, or none at all, are behind a frame's radius."""
    used = stars.flags == 0
    own = stars.radius_sigma / stars.radius
    say = np.where(used, 1 / (own**2 + LEAST_SCATTER**2), 0.0)
    return bool(say[known].sum() <= (1 - _LED) * say.sum())


def _followed(looks: Sequence[Look], first: int, near: float) -> list[np.ndarray]:
    """Where the stars of one frame stand in each, as they drift from frame to frame."""
    seen = [look.places for look in looks]
    for j in sorted(set(range(len(looks))) - {first}, key=lambda j: abs(j - first)):
        there = seen[j - 1 if j > first else j + 1].copy()
        which, mine = nearest(looks[j].places, there, near)
        there[which] = looks[j].places[mine]
        seen[j] = there
    return seen


def _expected(looks: Sequence[Look], size: np.ndarray, j: int) -> float:
    """The size in a frame, or where it is not known or absurd, in those nearest in position."""
    position = np.array([look.frame.facts.position_steps for look in looks], float)
    away = np.abs(position - position[j])
    away[j] = np.inf
    known = size[np.argsort(away, kind="stable")]
    known = known[np.isfinite(known)][:2]
    beside = float(np.median(known)) if len(known) else np.nan
    absurd = max(size[j] / beside, beside / size[j]) > _ALIKE
    return beside if np.isnan(size[j]) or absurd else float(size[j])


def _as_bright(look: Look, best: Look, good: np.ndarray) -> bool:
    """Whether the brightest stars of both are as bright: then they are the same, but moved."""
    here = np.max(look.stars.flux[look.stars.flags == 0], initial=0.0)
    there = np.max(best.stars.flux[good], initial=0.0)
    return bool(there / SAME_LIGHT < here < there * SAME_LIGHT)


def better(first: Look, second: Look, known: Known) -> Look:
    """The second look, which knows more, if its stars give the light they are known to give.

    They may give less, through cloud, all by one share, or one that the first look did not see;
    neither look tells
    anything where the second sees none either, and the first hardly more than a speck. What gives
    the light of a known star elsewhere may be that star: the telescope moved, or turned over.
    """
    if not second.read:
        return first
    own, flags = first.stars.flags == 0, second.stars.flags
    good = flags & ~_LESSER == 0
    near = reach(first.frame.radius_px, known.radius_px)
    lost = len(nearest(first.places[own], known.places @ [1, 1j], near)[0]) == 0
    if good.any():
        share = float(np.median(second.stars.flux[good] / known.light_adu[good]))
        clear = np.count_nonzero(good & (flags & StarFlag.FAINT == 0))
        if (0 if clear > 1 - lost else 1 / SAME_LIGHT) < share < SAME_LIGHT:
            return second
    speck = first.frame.reason is None and lost and own.sum() < FEWEST
    unseen = np.all(flags & int(StarFlag.FAINT | StarFlag.UNMEASURED))
    if not (speck and unseen) or _shows(known, first.stars):
        return first
    same = {name: getattr(first.frame, name) for name in _NO_RADIUS}
    return replace(first, frame=FrameRadius(**same, reason=OTHER_STARS))


def _shows(known: Known, stars: Stars) -> bool:
    """Whether two stars (of one known, one) give the light of known ones, about as large as due."""
    larger = stars.radius / known.radius_px
    like = (larger > 1 / _ALIKE) & (larger < _ALIKE) & (stars.flags & ~int(StarFlag.FAINT) == 0)
    share = stars.flux[like] / known.light_adu[:, None]
    alike = (share > 1 / SAME_LIGHT) & (share < SAME_LIGHT)
    return min(alike.any(axis=0).sum(), alike.any(axis=1).sum()) >= min(2, len(share))


def tracks_of(looks: Sequence[Look], laid: Aligned) -> StarTracks:
    """Radii of the stars of the frame that shows most in each frame of its sweep."""
    best = looks[laid.first]
    shape = len(best.stars), len(looks)
    radius, sigma = np.full((2, *shape), np.nan)
    seen = np.full((*shape, 2), np.nan)
    flags = np.full(shape, int(StarFlag.UNMEASURED))
    for j, (look, motion) in enumerate(zip(looks, laid.motions, strict=True)):
        if motion is None:
            continue
        tolerance = reach(best.frame.radius_px, look.frame.radius_px)
        mine, star = nearest(motion(best.places), look.places, tolerance)
        radius[star, j] = look.stars.radius[mine]
        sigma[star, j] = look.stars.radius_sigma[mine]
        flags[star, j] = look.stars.flags[mine]
        seen[star, j] = xy(look.places[mine])
    return StarTracks(
        x_px=best.stars.x,
        y_px=best.stars.y,
        radius_px=radius,
        radius_sigma_px=sigma,
        flags=flags,
        seen_px=seen,
        identity=np.full(len(best.stars), -1),
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
    named, number = list(tracks), 0
    places = [t.x_px + 1j * t.y_px for t in tracks]
    left = sorted(range(len(tracks)), key=lambda k: -len(places[k]))
    for pointing in range(_MOST_FIELDS):
        if not left or len(places[left[0]]) < FEWEST:
            break
        base, known = left[0], np.zeros(0, complex)
        laid: dict[int, np.ndarray] = {}
        sizes: dict[int, float] = {}  # these and the places in pixels of the first of them
        for k in left:
            tried = (
                align(
                    laid[other], places[k], scale=scale,
                    tolerance_px=scale * reach(sizes[other], radii_px[k] / scale),
                )
                for other in dict.fromkeys((base, *list(laid)[-1:]))
                for scale in _scales(facts[base], facts[k])
            )  # fmt: skip
            motion = next(filter(None, tried), None) if laid else STILL
            if motion is None:
                continue
            laid[k], sizes[k] = motion.back()(places[k]), radii_px[k] / abs(motion.turn)
            mine, theirs = nearest(known, laid[k], reach(radii_px[base], sizes[k]))
            new = np.ones(len(laid[k]), bool)
            new[mine] = False
            identity = number + len(known) + np.cumsum(new) - 1
            identity[mine] = number + theirs
            known = np.concatenate([known, laid[k][new]])
            named[k] = replace(tracks[k], identity=identity, pointing=pointing)
        number += len(known)
        left = [k for k in left if k not in laid]
    return tuple(named)


def _scales(a: FrameFacts, b: FrameFacts) -> list[float]:
    """Pixels of frame ``b`` to one of ``a`` along an axis: as stated, as sizes suggest, one."""
    stated = a.pixel_um / b.pixel_um if a.pixel_um and b.pixel_um else a.binning / b.binning
    size = b.shape[0] / a.shape[0] if a.shape[0] and b.shape[0] else 1.0
    whole = round(size) if size > 1 else 1 / round(1 / size)
    return list(dict.fromkeys([float(stated), float(whole), 1.0]))
