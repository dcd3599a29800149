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
    def held_px2(self) -> float:
        """Variance, in pixels of the frame squared, that the light lacks along each axis.

        The photometry takes its pixels for squares as wide as their pitch w, which smear by
        w^2 / 12. Red and blue pixels are half as wide as that; the two green ones, a diagonal
        apart, smear by just as much as the whole square.
        """
        smeared = 1 / 12 + float(np.var([c for _, c in self.corners]))
        return self.pitch**2 / 12 - smeared


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


#: Square of the radius of a share of the light over its variance along an axis (a Gaussian).
_SQUARES: Final = {"radius": 2 * np.log(2), "radius30": -2 * np.log(0.7), "radius80": 2 * np.log(5)}
Sized = TypeVar("Sized", Stars, ImageRadius)


def steepness(radius: ImageRadius) -> float:
    """How much a small blur widens these stars over what it does to a Gaussian.

    A blur of variance v along each axis adds v times the slope -d ln I / d ln r of the surface
    brightness to the square of the radius (the equation of heat, inside the circle): 2 ln 2 for a
    Gaussian's half-flux radius, nothing for a disc. The slope is that between the rings from 30 to
    50 % and from 50 to 80 % of the light.
    """
    r30, r50, r80 = (
        getattr(radius, f"{name}_px") ** 2 for name in ("radius30", "radius", "radius80")
    )
    if not r30 < r50 < r80:
        return 1.0
    fall = np.log((0.2 / (r50 - r30)) / (0.3 / (r80 - r50)))
    # The same difference quotient of a Gaussian is 1.52.
    return float(np.clip(2 * fall / np.log((r80 + r50) / (r50 + r30)) / 1.52, 0, 3))


def in_frame(measured: Sized, grid: Grid, steep: float) -> Sized:
    """What was measured on a grid in pixels of the frame, its radii those of the light as it fell.

    ``steep`` is the `steepness` of the image's stars.
    """
    if grid.pitch == 1:
        return measured
    tail = "" if isinstance(measured, Stars) else "_px"
    found: dict[str, Any] = {}
    for name, square in _SQUARES.items():
        size = getattr(measured, f"{name}{tail}") * grid.pitch
        sigma = getattr(measured, f"{name}_sigma{tail}") * grid.pitch
        whole = np.sqrt(size**2 + square * steep * grid.held_px2)
        found |= {f"{name}{tail}": whole, f"{name}_sigma{tail}": sigma * size / whole}
    if isinstance(measured, ImageRadius):
        found["bounded"] = _bounded_in_frame(measured.bounded, grid)
    else:
        first_x, first_y = grid.origin
        found["x"] = measured.x * grid.pitch + first_x
        found["y"] = measured.y * grid.pitch + first_y
        found["mean_radius"] = measured.mean_radius * grid.pitch
    return replace(measured, **found)


def _bounded_in_frame(measured: Bounded, grid: Grid) -> Bounded:
    """The same in pixels of the frame; what its pixels add is less than the grid's squares do."""
    lengths = {f.name: getattr(measured, f.name) * grid.pitch for f in fields(Bounded)}
    pixel = measured.pixel_px2 * grid.pitch**2 - grid.held_px2
    return replace(measured, **(lengths | {"pixel_px2": pixel}))
