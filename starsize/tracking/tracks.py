"""The same star through the frames of a sweep, and through the sweeps of a night."""

from collections.abc import Sequence
from dataclasses import replace

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


def shows_most(looks: Sequence[Look]) -> int:
    """Which frame of a sweep has most stars behind its radius."""
    return max(range(len(looks)), key=lambda j: (looks[j].frame.n_stars, -j))


def places_of(look: Look) -> np.ndarray:
    """Places of the stars of a look as complex numbers, brightest first."""
    return np.asarray(look.stars.x + 1j * look.stars.y)


def known_places(looks: Sequence[Look], frame: int) -> np.ndarray | None:
    """(n, 2) places in a frame of the good stars of the one that shows most, if it needs them.

    It does where so much of what it shows is not seen there: sky left over and a satellite's
    trail, taken for stars.
    """
    best = looks[shows_most(looks)]
    if looks[frame] is best:
        return None
    here, there = places_of(looks[frame])[:_LIST_LENGTH], places_of(best)[:_LIST_LENGTH]
    # Centres of rings are rough; those that are near enough place all.
    tolerance = reach(best.frame.radius_px)
    motion = align(there, here, tolerance_px=tolerance)
    if motion is None:
        return None
    seen = motion(places_of(best))
    strangers = 1 - len(nearest(seen, here, tolerance)[0]) / len(here)
    good = seen[best.stars.flags == 0]
    return np.stack([good.real, good.imag], 1) if strangers > _STRANGERS else None


def tracks_of(looks: Sequence[Look]) -> StarTracks:
    """Radii of the stars of the frame that shows most in each frame of its sweep."""
    first = shows_most(looks)
    best, places = looks[first], places_of(looks[first])
    shape = len(places), len(looks)
    radius, sigma = np.full((2, *shape), np.nan)
    seen = np.full((*shape, 2), np.nan)
    flags = np.full(shape, int(StarFlag.UNMEASURED))
    last = {True: STILL, False: STILL}
    # Outward from that frame, so that a drift goes on from one frame to the next.
    for j in sorted(range(len(looks)), key=lambda j: abs(j - first)):
        look, here = looks[j], places_of(looks[j])
        tolerance = reach(best.frame.radius_px, look.frame.radius_px)
        guesses = (last[j > first], STILL)
        motion = align(
            places[:_LIST_LENGTH], here[:_LIST_LENGTH], tolerance_px=tolerance, guesses=guesses
        )
        if j == first:
            motion = STILL
        if motion is None:
            continue
        last[j > first] = motion
        mine, star = nearest(motion(places), here, tolerance)
        stars = look.stars.part(mine)
        radius[star, j], sigma[star, j], flags[star, j] = (
            stars.radius, stars.radius_sigma, stars.flags
        )  # fmt: skip
        seen[star, j] = np.stack([stars.x, stars.y], 1)
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
    for scale in scales(one[1], other[1]):
        tolerance = scale * reach(one[2], other[2] / scale)
        lists = one[0][:_LIST_LENGTH], other[0][:_LIST_LENGTH]
        if (found := align(*lists, tolerance_px=tolerance, scale=scale)) is not None:
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
    """
    stated = a.pixel_um / b.pixel_um if a.pixel_um and b.pixel_um else a.binning / b.binning
    size = b.shape[0] / a.shape[0] if a.shape[0] and b.shape[0] else 1.0
    whole = round(size) if size > 1 else 1 / round(1 / size)
    return list(dict.fromkeys([float(stated), float(whole), 1.0]))
