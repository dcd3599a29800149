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
_NO_STAR = int(StarFlag.SHAPE | StarFlag.FAINT | StarFlag.UNMEASURED)
_MOST_FIELDS = 5
#: The light of a star changes by less than this factor from frame to frame of a sweep.
SAME_LIGHT = 2.0


def shows_most(looks: Sequence[Look]) -> int:
    """Which frame of a sweep has most stars behind its radius, of several alike the sharpest.

    A lone star is sharpest in focus, a knot of nebula never; a speck is in no other frame.
    """
    frames = [look.frame for look in looks]
    sharp = [np.nan_to_num(frame.radius_px, nan=np.inf) for frame in frames]
    return max(range(len(looks)), key=lambda j: (frames[j].n_stars, -sharp[j], -j))


def places_of(look: Look) -> np.ndarray:
    """Places of the stars of a look as complex numbers, brightest first."""
    return np.asarray(look.stars.x + 1j * look.stars.y)


def motions_of(looks: Sequence[Look]) -> list[Motion | None]:
    """From the frame of a sweep that shows most to each: None where too few of its stars agree."""
    first = shows_most(looks)
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


def known_stars(looks: Sequence[Look]) -> list[tuple[np.ndarray, np.ndarray] | None]:
    """Where the good stars of the frame that shows most lie in each frame of its sweep, and light.

    Places are (n, 2); None where a frame needs no second look. It does where so much of what it
    shows is not seen there, or so many of the stars behind its radius are none there: sky left
    over, a knot of nebula, a satellite's trail, a cosmic ray. Where too few stars agree to tell how
    the field moved, it is taken to lie as in the nearest frame that tells.
    """
    first, motions = shows_most(looks), motions_of(looks)
    best, places = looks[first], places_of(looks[first])
    good, stars = best.stars.flags == 0, best.stars.flags & _NO_STAR == 0
    told = np.array([j for j, motion in enumerate(motions) if motion is not None])
    known: list[tuple[np.ndarray, np.ndarray] | None] = [None] * len(looks)
    for j, look in enumerate(looks):
        if j == first or not good.any() or (motions[j] is None and _as_bright(look, best)):
            continue
        motion = motions[told[np.argmin(np.abs(told - j))]] or STILL
        here, seen = places_of(look), motion(places)
        led_by = here[look.stars.flags == 0]
        shares = [
            len(nearest(there, mine, reach(best.frame.radius_px))[0]) / max(len(mine), 1)
            for mine, there in ((here[:_LIST_LENGTH], seen), (led_by, seen[stars]))
        ]
        if min(shares) < 1 - _STRANGERS:
            known[j] = np.stack([seen.real, seen.imag], 1)[good], best.stars.flux[good]
    return known


def _as_bright(look: Look, best: Look) -> bool:
    """Whether the brightest of the good stars are as bright: then they are the same, but moved."""
    here, there = (
        np.max(one.stars.flux[one.stars.flags == 0], initial=0.0) for one in (look, best)
    )
    return bool(there / SAME_LIGHT < here < there * SAME_LIGHT)


def tracks_of(looks: Sequence[Look]) -> StarTracks:
    """Radii of the stars of the frame that shows most in each frame of its sweep."""
    best = looks[shows_most(looks)]
    places = places_of(best)
    shape = len(places), len(looks)
    radius, sigma = np.full((2, *shape), np.nan)
    seen = np.full((*shape, 2), np.nan)
    flags = np.full(shape, int(StarFlag.UNMEASURED))
    for j, (look, motion) in enumerate(zip(looks, motions_of(looks), strict=True)):
        if motion is None:
            continue
        tolerance = reach(best.frame.radius_px, look.frame.radius_px)
        mine, star = nearest(motion(places), places_of(look), tolerance)
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
