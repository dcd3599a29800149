"""The sweeps of a night brought together: one identity for each star in all filters."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..frames.frame import FrameFacts
from .measured import NightStars
from .register import STILL, Motion, align
from .star_lists import nearest

_LIST_LENGTH = 400
#: Sweeps already placed that are tried where the reference of the night does not match.
_OTHERS = 2
_MOST_FIELDS = 5
_FEWEST = 4
OTHER_STARS = "its stars do not match those of the other sweeps: another field, or cloud"
_TOO_FEW = "too few stars to compare with the other sweeps"
_SAME_SCALE = 0.06
#: The sky has moved if a star has gone so many times as far as two sightings of it may lie apart.
_MOVED = 4.0
_SAME_PIXEL_PX = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class SweepStars:
    """Everything that shines in the reference frame of a sweep.

    Attributes
    ----------
    facts : FrameFacts
        Of that frame.
    places : (n, 2) array
        Pixels of that frame, brightest first.
    radius_px : float
        About the half-flux radius there, pixels.
    """

    facts: FrameFacts
    places: np.ndarray
    radius_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Placed:
    """A sweep whose way from the reference frame of the night is known."""

    motion: Motion
    scale: float
    """Pixels of the night's reference frame in one of this sweep's, along an axis."""


def join_sweeps(sweeps: Sequence[SweepStars]) -> tuple[NightStars, ...]:
    """Give each star of a night one identity in all sweeps.

    The sweep that shows most stars is the reference. The others are matched with it, else with a
    sweep already matched: drift, dither, a meridian flip and other binning between the filters
    are followed. Sweeps of another field are brought together likewise. What stays on its pixel
    while the sky moves is no star.

    Parameters
    ----------
    sweeps : sequence of SweepStars

    Returns
    -------
    tuple of NightStars
        One for each sweep, its arrays in the order of its places.

    Notes
    -----
    Accuracy: tests/stars/test_night.py.
    """
    nights: dict[int, NightStars] = {}
    left = sorted(range(len(sweeps)), key=lambda k: -len(sweeps[k].places))
    first_number = 0
    for _ in range(_MOST_FIELDS):
        if not left:
            break
        field = _field(sweeps, left)
        left = [k for k in left if k not in field]
        if len(field) == 1 < len(sweeps):
            continue
        found = _recognise(sweeps, field, first_number)
        first_number = 1 + max((int(n.identity.max(initial=-1)) for n in found.values()), default=0)
        nights |= found
    return tuple(nights[k] if k in nights else _alone(sweeps[k]) for k in range(len(sweeps)))


def _field(sweeps: Sequence[SweepStars], left: Sequence[int]) -> dict[int, _Placed]:
    """Sweeps of the same field as the first of ``left``, which comes first."""
    base = left[0]
    field = {base: _Placed(STILL, 1.0)}
    for k in left[1:]:
        _place(sweeps, field, base, k)
    for k in left[1:]:
        # What hardly overlaps with the reference may do so with a sweep nearer in time.
        for other in sorted(field, key=lambda j: abs(j - k))[:_OTHERS]:
            if k not in field and other != base:
                _place(sweeps, field, other, k)
    return field


def _place(sweeps: Sequence[SweepStars], field: dict[int, _Placed], other: int, k: int) -> None:
    """Add sweep ``k`` to a field by way of another that is there already, if they match."""
    a, b = sweeps[other], sweeps[k]
    if min(len(a.places), len(b.places)) < _FEWEST:
        return
    for scale in _scales(a.facts, b.facts):
        tolerance = _reach(a.radius_px, scale * b.radius_px)
        found = align(
            a.places[:_LIST_LENGTH], scale * b.places[:_LIST_LENGTH], tolerance_px=tolerance
        )
        if found is not None:
            step = Motion(found.matrix / scale, found.shift / scale, found.n_pairs)
            field[k] = _Placed(step.after(field[other].motion), field[other].scale * scale)
            return


def _reach(*radii_px: float) -> float:
    """How far apart two sightings of a star may lie; the centre of a ring is less certain."""
    return max(2.5, 0.4 * max(radii_px))


def _scales(a: FrameFacts, b: FrameFacts) -> list[float]:
    """Pixels of frame ``a`` in one of ``b`` along an axis: as stated, and as their sizes suggest.

    Examples
    --------
    >>> from pathlib import Path
    >>> whole = FrameFacts(path=Path("a.fits"), shape=(2000, 3000))
    >>> _scales(whole, FrameFacts(path=Path("b.fits"), shape=(1000, 1500), binning=2))
    [2.0, 1.0]
    >>> _scales(whole, FrameFacts(path=Path("b.fits"), shape=(1000, 1500)))
    [1.0, 2.0]
    """
    stated = b.pixel_um / a.pixel_um if a.pixel_um and b.pixel_um else b.binning / a.binning
    size = a.shape[0] / b.shape[0] if a.shape[0] and b.shape[0] else 1.0
    whole = float(round(size)) if size > 1 else 1 / round(1 / size)
    scales = [float(stated)]
    for scale in (whole, 1.0):
        if all(abs(np.log(scale / known)) > _SAME_SCALE for known in scales):
            scales.append(scale)
    return scales


def _alone(sweep: SweepStars) -> NightStars:
    n = len(sweep.places)
    unknown = np.full(n, np.nan)
    return NightStars(
        frame=None,
        identity=np.full(n, -1),
        x_px=unknown,
        y_px=unknown,
        stuck=np.zeros(n, bool),
        reason=OTHER_STARS if n >= _FEWEST else _TOO_FEW,
    )


def _recognise(
    sweeps: Sequence[SweepStars], field: dict[int, _Placed], first_number: int
) -> dict[int, NightStars]:
    """Number the stars of a field, and find what is stuck on its pixel."""
    base = next(iter(field))
    on_sky = {k: placed.motion.back()(sweeps[k].places) for k, placed in field.items()}
    identity = _identify(sweeps, field, on_sky)
    nights = {}
    for k in field:
        stuck = _stuck(sweeps, field, identity, k)
        nights[k] = NightStars(
            frame=sweeps[base].facts,
            identity=np.where(stuck, -1, first_number + identity[k]),
            x_px=on_sky[k][:, 0],
            y_px=on_sky[k][:, 1],
            stuck=stuck,
        )
    return nights


def _identify(
    sweeps: Sequence[SweepStars], field: dict[int, _Placed], on_sky: dict[int, np.ndarray]
) -> dict[int, np.ndarray]:
    """Number the stars; one that the reference does not show is known from its first sweep on."""
    base = next(iter(field))
    known = on_sky[base]
    identity = {base: np.arange(len(known))}
    for k, placed in field.items():
        if k == base:
            continue
        here = on_sky[k]
        reach = _reach(sweeps[base].radius_px, placed.scale * sweeps[k].radius_px)
        gap, star = nearest(known, here, reach=reach)
        back = nearest(here, known, reach=reach)[1]
        paired = np.isfinite(gap)
        # Each the other's nearest: of two stars so close together one goes by a number of its own.
        paired[paired] = back[star[paired]] == np.flatnonzero(paired)
        new = ~paired
        identity[k] = np.where(paired, star, len(known) + np.cumsum(new) - 1)
        known = np.concatenate([known, here[new]])
    return identity


def _stuck(
    sweeps: Sequence[SweepStars],
    field: dict[int, _Placed],
    identity: dict[int, np.ndarray],
    k: int,
) -> np.ndarray:
    """True for what another sweep has on the same pixel although the sky has moved there.

    Unless a sweep with another pointing has it where the sky has gone: then it is a star, and
    what lies on its pixel elsewhere is another one.
    """
    here = sweeps[k].places
    on_pixel, on_sky = np.zeros(len(here), bool), np.zeros(len(here), bool)
    for other in field:
        # Frames of another size have other pixels.
        if other == k or sweeps[other].facts.shape != sweeps[k].facts.shape:
            continue
        there = field[other].motion(field[k].motion.back()(here))
        reach = _reach(sweeps[k].radius_px, sweeps[other].radius_px)
        moved = np.hypot(*(there - here).T) > _MOVED * reach
        gap, _ = nearest(sweeps[other].places, here, reach=_SAME_PIXEL_PX)
        on_pixel |= moved & np.isfinite(gap)
        on_sky |= moved & np.isin(identity[k], identity[other])
    return on_pixel & ~on_sky
