"""One real star through all positions of a sweep, cut out of the frames to be looked at."""

from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from math import ceil

import numpy as np

from ..errors import FrameReadError
from ..frames.frame import FrameFacts
from ..frames.pixels import read_window
from ..setup import Camera
from .colour import grid_of
from .measured import MeasuredSweep
from .spread import spread

#: Half the width of a picture, in half-flux radii of the largest star: a disc and its surroundings.
_ROOM = 1.8
_LEAST_HALF_PX, _LARGEST_HALF_PX = 9, 80


@dataclass(frozen=True, slots=True, eq=False)
class Filmstrip:
    """Pictures of one star, all of the same part of the sky and the same scale.

    Attributes
    ----------
    pictures : tuple of (n, n) float32 array or None
        One for each frame of the measured sweep, in its order, in ADU above the sky; NaN beyond
        the frame's edge. None where the star was not recognised or the file could not be read.
    radius_px : (n_frames,) array
        The star's own half-flux radius in each frame, pixels.
    x_px, y_px : float
        Its place in the frame that shows most.
    """

    pictures: tuple[np.ndarray | None, ...]
    radius_px: np.ndarray
    x_px: float
    y_px: float


@dataclass(frozen=True, slots=True)
class _Cut:
    """Which window of which file."""

    facts: FrameFacts
    x: int
    y: int
    size: int
    channel: str
    camera: Camera


def filmstrips(
    measured: Sequence[MeasuredSweep],
    *,
    camera: Camera = Camera(),  # noqa: B008 -- frozen, so it can be shared
    executor: Executor | None = None,
) -> tuple[Filmstrip | None, ...]:
    """Cut the same good star out of every frame of each sweep.

    Of the stars that are sound (single, unsaturated, off the edge) in most frames the one is taken
    whose radius is known best. Of a colour camera only the green pixels are shown.

    Parameters
    ----------
    measured : sequence of MeasuredSweep
    camera : Camera
        Its colour pattern, where the setup states one.
    executor : concurrent.futures.Executor, optional
        Spreads the frames over its workers.

    Returns
    -------
    tuple of Filmstrip or None
        One for each measured sweep; None where there is no such star.
    """
    chosen = [_choose(one) for one in measured]
    cuts = {
        (k, j): _Cut(frame.facts, *_window(one, star, j), frame.channel, camera)
        for k, (one, star) in enumerate(zip(measured, chosen, strict=True))
        if star is not None
        for j, frame in enumerate(one.frames)
        if np.isfinite(one.tracks.seen_px[star, j]).all()
    }
    pictures = spread(executor, _cut, list(cuts.values()), lost=_lost)
    found = dict(zip(cuts, pictures, strict=True))
    return tuple(
        None
        if star is None
        else Filmstrip(
            pictures=tuple(found.get((k, j)) for j in range(len(one.frames))),
            radius_px=one.tracks.radius_px[star],
            x_px=float(one.tracks.x_px[star]),
            y_px=float(one.tracks.y_px[star]),
        )
        for k, (one, star) in enumerate(zip(measured, chosen, strict=True))
    )


def _lost(_: _Cut) -> None:
    """No picture of a frame whose worker died."""


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


def _window(one: MeasuredSweep, star: int, frame: int) -> tuple[int, int, int]:
    """First column, first row and width: the star in the middle, colour squares kept whole."""
    largest = float(np.nanmax(one.tracks.radius_px[star]))
    half = int(np.clip(ceil(_ROOM * largest) + 2, _LEAST_HALF_PX, _LARGEST_HALF_PX))
    x, y = (round(float(place)) for place in one.tracks.seen_px[star, frame])
    if one.frames[frame].channel:
        return (x - half) // 2 * 2, (y - half) // 2 * 2, 2 * half + 2
    return x - half, y - half, 2 * half + 1


def _cut(cut: _Cut) -> np.ndarray | None:
    """The window above its sky, in full size; None where it cannot be read."""
    ny, nx = cut.facts.shape
    rows, columns = (
        slice(max(first, 0), min(first + cut.size, end))
        for first, end in ((cut.y, ny), (cut.x, nx))
    )
    try:
        inside = read_window(cut.facts, rows, columns)
    except FrameReadError:
        return None
    window = np.full((cut.size, cut.size), np.float32(np.nan))
    window[rows.start - cut.y : rows.stop - cut.y, columns.start - cut.x : columns.stop - cut.x] = (
        inside
    )
    picture = grid_of(cut.channel, cut.facts, cut.camera).pick(window)
    rim = np.concatenate([picture[[0, -1]].ravel(), picture[:, [0, -1]].ravel()])
    return picture - np.float32(np.nanmedian(rim)) if np.isfinite(rim).any() else None
