"""Colour cameras: which channels a frame holds, and the pixels of one of them."""

from dataclasses import dataclass, fields, replace
from typing import Any, Final, TypeVar

import numpy as np

from ..frames.frame import FrameFacts
from ..photometry import Bounded, ImageRadius, Stars
from ..setup import Camera

_PATTERNS: Final = ("RGGB", "BGGR", "GRBG", "GBRG")


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the pixels of a channel lie: pixel (i, j) at ``(row, column) + pitch * (i, j)``.

    Of green the mean of its two pixels in each square is taken: it lies between them.
    """

    corners: tuple[tuple[int, int], ...] = ((0, 0),)
    """(row, column) of the first pixels."""
    pitch: int = 1

    def pick(self, image: np.ndarray) -> np.ndarray:
        """The pixels of this grid as an image of their own."""
        if self.pitch == 1:
            return image
        ny, nx = (n // self.pitch for n in image.shape)
        parts = [image[r :: self.pitch, c :: self.pitch][:ny, :nx] for r, c in self.corners]
        return np.asarray(np.mean(parts, axis=0, dtype=np.float32))

    @property
    def origin(self) -> np.ndarray:
        """Place (x, y) of the first pixel in the frame."""
        return np.mean(self.corners, axis=0)[::-1]

    @property
    def pixel_px2(self) -> float:
        """Variance along an axis of the smear of a channel's pixel, in its own pixels squared.

        Red and blue pixels are half as wide as their pitch; the two green ones, a diagonal apart,
        smear by just as much as the whole square.
        """
        smeared = 1 / 12 + float(np.var([c for _, c in self.corners]))
        return smeared / self.pitch**2


def channels_of(facts: FrameFacts, camera: Camera) -> tuple[str, ...]:
    """``("R", "G", "B")`` for a colour camera, ``("",)`` for a mono one."""
    return ("R", "G", "B") if pattern_of(facts, camera) else ("",)


def pattern_of(facts: FrameFacts, camera: Camera) -> str | None:
    """Colour pattern in force: the setup's if it states one, else the header's."""
    if camera.bayer == "none":
        return None
    pattern = facts.bayer if camera.bayer == "header" else camera.bayer
    return pattern.upper() if pattern and pattern.upper() in _PATTERNS else None


def grid_of(channel: str, facts: FrameFacts, camera: Camera) -> Grid:
    """Where the pixels of a channel lie.

    Examples
    --------
    >>> from pathlib import Path
    >>> facts = FrameFacts(path=Path("a.fits"), bayer="RGGB")
    >>> grid_of("G", facts, Camera()).corners
    ((0, 1), (1, 0))
    """
    pattern = pattern_of(facts, camera)
    if not channel or pattern is None:
        return Grid()
    return Grid(tuple(divmod(i, 2) for i, letter in enumerate(pattern) if letter == channel), 2)


#: What of ``Stars`` is a length.
_LENGTHS: Final = (
    "radius", "radius_sigma", "radius30", "radius30_sigma", "radius80", "radius80_sigma",
    "bounded", "bounded_sigma", "mean_radius",
)  # fmt: skip
Sized = TypeVar("Sized", Stars, ImageRadius, Bounded)


def in_frame(measured: Sized, grid: Grid) -> Sized:
    """What was measured on a grid, in pixels of the frame."""
    if grid.pitch == 1:
        return measured
    pitch = grid.pitch
    sized = [f.name for f in fields(measured) if f.name.endswith("_px")]
    names = _LENGTHS if isinstance(measured, Stars) else sized
    found: dict[str, Any] = {name: getattr(measured, name) * pitch for name in names}
    if isinstance(measured, ImageRadius):
        found["bounded"] = in_frame(measured.bounded, grid)
    elif isinstance(measured, Bounded):
        found["pixel_px2"] = measured.pixel_px2 * pitch**2
    else:
        found["bounds"] = measured.bounds * (pitch, pitch, pitch, pitch**2)
        for name, first in zip(("x", "y"), grid.origin, strict=True):
            found[name] = getattr(measured, name) * pitch + first
    return replace(measured, **found)
