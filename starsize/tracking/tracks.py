"""The same star through the frames of a sweep, and through the sweeps of a night."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..frames.frame import FrameFacts
from ..photometry import StarFlag
from .align import STILL, Motion, align, nearest
from .measured import StarTracks
from .tasks import Look

_LIST_LENGTH = 400
#: A frame is looked at again where so much of what it shows is in no other frame.
_STRANGERS = 0.4
_MOST_FIELDS = 5
_SAME_SCALE = 0.06


@dataclass(frozen=True, slots=True)
class Followed:
    """Where the stars of one frame of a sweep, that which shows most, stand in each other frame."""

    best: int
    motions: tuple[Motion | None, ...]


def follow(looks: Sequence[Look]) -> Followed:
    """Find the motion from the frame that shows most to each other frame of its sweep."""
    lists = [_places(look)[:_LIST_LENGTH] for look in looks]
    best = max(range(len(looks)), key=lambda j: (looks[j].frame.n_stars, -j))
    motions: list[Motion | None] = [None] * len(looks)
    last = {1: STILL, -1: STILL}
    # Outward from that frame, so that a drift goes on from one frame to the next.
    for j in sorted(range(len(looks)), key=lambda j: abs(j - best)):
        side = 1 if j > best else -1
        tolerance = reach(looks[best].frame.radius_px, looks[j].frame.radius_px)
        guesses = (last[side], STILL)
        found = align(lists[best], lists[j], tolerance_px=tolerance, guesses=guesses)
        motions[j] = STILL if j == best else found
        last[side] = motions[j] or last[side]
    return Followed(best, tuple(motions))


def known_places(looks: Sequence[Look], best: int, frame: int) -> np.ndarray | None:
    """Where a frame has the good stars of the frame that shows most, if it should be told.

    It should where so much of what it shows is not seen there: sky left over and a satellite's
    trail, taken for stars.
    """
    if frame == best:
        return None
    lists = [_places(looks[j])[:_LIST_LENGTH] for j in (best, frame)]
    # Centres of rings are rough; those that are near enough place all.
    tolerance = reach(looks[best].frame.radius_px)
    motion = align(*lists, tolerance_px=tolerance)
    if motion is None:
        return None
    seen = motion(_places(looks[best]))
    strangers = 1 - len(nearest(seen, lists[1], tolerance)[0]) / len(lists[1])
    return seen[looks[best].stars.flags == 0] if strangers > _STRANGERS else None


def tracks_of(looks: Sequence[Look], followed: Followed) -> StarTracks:
    """Radii of the stars of the frame that shows most in each frame of its sweep."""
    best = looks[followed.best]
    places, shape = _places(best), (len(best.stars), len(looks))
    radius, sigma, seen = (
        np.full(shape, np.nan),
        np.full(shape, np.nan),
        np.full((*shape, 2), np.nan),
    )
    flags = np.full(shape, int(StarFlag.UNMEASURED))
    for j, (look, motion) in enumerate(zip(looks, followed.motions, strict=True)):
        if motion is None:
            continue
        tolerance = reach(best.frame.radius_px, look.frame.radius_px)
        here, star = nearest(motion(places), _places(look), tolerance)
        radius[star, j], sigma[star, j] = look.stars.radius[here], look.stars.radius_sigma[here]
        flags[star, j], seen[star, j] = look.stars.flags[here], _places(look)[here]
    return StarTracks(
        x_px=places[:, 0],
        y_px=places[:, 1],
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

    Parameters
    ----------
    tracks : sequence of StarTracks
    facts : sequence of FrameFacts
        Of the reference frame of each.
    radii_px : sequence of float
        Half-flux radius there.
    """
    named = list(tracks)
    places = [np.stack([t.x_px, t.y_px], 1) for t in tracks]
    left = sorted(range(len(tracks)), key=lambda k: -len(places[k]))
    number = 0
    for pointing in range(_MOST_FIELDS):
        if not left or len(places[left[0]]) < 4:
            break
        base, motions = left[0], {left[0]: STILL}
        for k in left[1:]:
            for other in dict.fromkeys((base, list(motions)[-1])):
                step = _between(places, facts, radii_px, (other, k))
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


def _between(
    places: Sequence[np.ndarray],
    facts: Sequence[FrameFacts],
    radii_px: Sequence[float],
    pair: tuple[int, int],
) -> Motion | None:
    """The motion from one sweep's reference frame to another's, whatever their binning."""
    a, b = pair
    for scale in scales(facts[a], facts[b]):
        found = align(
            places[a][:_LIST_LENGTH],
            places[b][:_LIST_LENGTH],
            tolerance_px=scale * reach(radii_px[a], radii_px[b] / scale),
            scale=scale,
        )
        if found is not None:
            return found
    return None


def scales(a: FrameFacts, b: FrameFacts) -> list[float]:
    """Pixels of frame ``b`` in one of ``a`` along an axis: as stated, and as their sizes suggest.

    Examples
    --------
    >>> from pathlib import Path
    >>> whole = FrameFacts(path=Path("a.fits"), shape=(2000, 3000))
    >>> scales(whole, FrameFacts(path=Path("b.fits"), shape=(1000, 1500), binning=2))
    [0.5, 1.0]
    >>> scales(whole, FrameFacts(path=Path("b.fits"), shape=(1000, 1500)))
    [1.0, 0.5]
    """
    stated = a.pixel_um / b.pixel_um if a.pixel_um and b.pixel_um else a.binning / b.binning
    size = b.shape[0] / a.shape[0] if a.shape[0] and b.shape[0] else 1.0
    whole = float(round(size)) if size > 1 else 1 / round(1 / size)
    found = [float(stated)]
    for scale in (whole, 1.0):
        if all(abs(np.log(scale / known)) > _SAME_SCALE for known in found):
            found.append(scale)
    return found


def _places(look: Look) -> np.ndarray:
    """Places of the stars of a look, in the order of its table: brightest first."""
    return np.stack([look.stars.x, look.stars.y], 1)
