"""Colour cameras: which channels a frame holds, and the pixels of one of them."""

from dataclasses import dataclass

import numpy as np

from ..frames.frame import FrameFacts
from ..setup import Camera

_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


@dataclass(frozen=True, slots=True)
class Grid:
    """Pixels ``(row, column) + pitch * (i, j)`` of a frame."""

    row: int = 0
    column: int = 0
    pitch: int = 1

    def pick(self, image: np.ndarray) -> np.ndarray:
        """The pixels of this grid as an image of their own."""
        if self.pitch == 1:
            return image
        return np.ascontiguousarray(image[self.row :: self.pitch, self.column :: self.pitch])

    def to_frame(self, places: np.ndarray) -> np.ndarray:
        """Places (x, y) on this grid in pixels of the frame."""
        return places * self.pitch + (self.column, self.row)

    def from_frame(self, places: np.ndarray) -> np.ndarray:
        """Places (x, y) in pixels of the frame on this grid."""
        return (places - (self.column, self.row)) / self.pitch

    @property
    def held_variance(self) -> float:
        """Blur beyond that of a full set of pixels, in grid pixels squared along each axis.

        Each value stands for a square as wide as the pitch, of which its own pixel is a part: a
        square of width w smears by w^2 / 12.
        """
        return (1 - self.pitch**-2) / 12


def channels_of(facts: FrameFacts, camera: Camera) -> tuple[str, ...]:
    """``("R", "G", "B")`` for a colour camera, ``("",)`` for a mono one."""
    return ("R", "G", "B") if pattern_of(facts, camera) else ("",)


def pattern_of(facts: FrameFacts, camera: Camera) -> str | None:
    """Colour pattern in force: the setup's if it states one, else the header's."""
    if camera.bayer == "none":
        return None
    pattern = facts.bayer if camera.bayer == "header" else camera.bayer
    return pattern.upper() if pattern and pattern.upper() in _PATTERNS else None


def grids_of(channel: str, facts: FrameFacts, camera: Camera) -> tuple[Grid, ...]:
    """Where the pixels of a channel lie: one grid for red and blue, two for green.

    Examples
    --------
    >>> from pathlib import Path
    >>> facts = FrameFacts(path=Path("a.fits"), bayer="RGGB")
    >>> [(g.row, g.column) for g in grids_of("G", facts, Camera())]
    [(0, 1), (1, 0)]
    """
    pattern = pattern_of(facts, camera)
    if not channel or pattern is None:
        return (Grid(),)
    places = [divmod(i, 2) for i, letter in enumerate(pattern) if letter == channel]
    return tuple(Grid(row, column, 2) for row, column in places)
