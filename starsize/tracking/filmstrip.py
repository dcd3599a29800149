"""One real star through all positions of a sweep, cut out of the frames to be looked at."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np

from ..errors import FrameReadError
from ..frames.pixels import read_window
from ..setup import Camera
from .measured import FrameRadius, MeasuredSweep
from .tasks import grid_of

#: Half the width of a picture, in half-flux radii of the largest star: a disc and its surroundings.
_ROOM = 1.8
_LEAST_HALF_PX, _LARGEST_HALF_PX = 9, 80


@dataclass(frozen=True, slots=True, eq=False)
class Filmstrip:
    """Pictures of one star, all of the same part of the sky and the same scale."""

    pictures: tuple[np.ndarray | None, ...]
    """(n, n) float32 for each frame of the sweep, ADU above the sky, NaN beyond the frame's edge;
    None where the star was not recognised or the file could not be read."""
    radius_px: np.ndarray
    """(n_frames,) the star's own half-flux radius in each frame, pixels."""
    x_px: float
    y_px: float
    """Its place in the frame that shows most."""


def filmstrips(
    measured: Sequence[MeasuredSweep],
    *,
    camera: Camera = Camera(),  # noqa: B008 -- frozen, so it can be shared
) -> tuple[Filmstrip | None, ...]:
    """Cut the same good star out of every frame of each sweep; None where there is none.

    Of the stars that are sound (single, unsaturated, off the edge) in most frames the one is taken
    whose radius is known best. Of a colour camera, whose pattern ``camera`` may state, only the
    green pixels are shown.
    """
    return tuple(_strip(one, camera) for one in measured)


def _strip(one: MeasuredSweep, camera: Camera) -> Filmstrip | None:
    star, tracks = _choose(one), one.tracks
    if star is None:
        return None
    radius = tracks.radius_px[star]
    half = int(np.clip(ceil(_ROOM * np.nanmax(radius)) + 2, _LEAST_HALF_PX, _LARGEST_HALF_PX))
    seen = zip(one.frames, tracks.seen_px[star], strict=True)
    pictures = tuple(_picture(frame, place, half, camera) for frame, place in seen)
    return Filmstrip(pictures, radius, float(tracks.x_px[star]), float(tracks.y_px[star]))


def _choose(one: MeasuredSweep) -> int | None:
    """The star that is sound in most frames, and of these the one known best."""
    tracks = one.tracks
    if one.frames[0].channel not in ("", "G") or not tracks.seen_px.size:
        return None
    sound = (tracks.flags == 0) & np.isfinite(tracks.radius_px)
    often = sound.sum(axis=1)
    if not often.max():
        return None
    noise = np.where(sound, tracks.radius_sigma_px / tracks.radius_px, np.nan)
    most = np.flatnonzero(often == often.max())
    return int(most[np.argmin(np.nanmedian(noise[most], axis=1))])


def _picture(frame: FrameRadius, place: np.ndarray, half: int, camera: Camera) -> np.ndarray | None:
    """The window about a place above its sky; None where it is not known or cannot be read."""
    if not np.isfinite(place).all():
        return None
    size, pitch = 2 * half + 1, 1
    if frame.channel:  # squares of a colour camera are kept whole
        size, pitch = 2 * half + 2, 2
    x, y = ((np.rint(place) - half) // pitch * pitch).astype(int)
    rows, columns = (
        slice(max(first, 0), min(first + size, end))
        for first, end in zip((y, x), frame.facts.shape, strict=True)
    )
    window = np.full((size, size), np.float32(np.nan))
    try:
        inside = read_window(frame.facts, rows, columns)
    except FrameReadError:
        return None
    window[rows.start - y : rows.stop - y, columns.start - x : columns.stop - x] = inside
    picture = grid_of(frame.channel, frame.facts, camera).pick(window)
    rim = np.concatenate([picture[[0, -1]].ravel(), picture[:, [0, -1]].ravel()])
    return picture - np.float32(np.nanmedian(rim)) if np.isfinite(rim).any() else None
