"""Colour cameras: which channels a frame holds, and the pixels of one of them."""

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from ..frames.frame import FrameFacts
from ..photometry import ImageRadius, Stars
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
        return np.mean(parts, axis=0, dtype=np.float32)

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


#: Share of the light and the square of its radius over the variance along an axis (a Gaussian).
_SQUARES: Final = {"radius": 2 * np.log(2), "radius30": -2 * np.log(0.7), "radius80": 2 * np.log(5)}


def stars_in_frame(stars: Stars, grid: Grid) -> Stars:
    """Places and radii in pixels of the full-resolution frame, of the light as it fell."""
    if grid.pitch == 1:
        return stars
    x, y = np.stack([stars.x, stars.y], 1).T * grid.pitch + grid.origin[:, None]
    sizes = {
        name: _in_frame(getattr(stars, name), getattr(stars, f"{name}_sigma"), grid, square)
        for name, square in _SQUARES.items()
    }
    values = {name: value for name, (value, _) in sizes.items()}
    sigmas = {f"{name}_sigma": sigma for name, (_, sigma) in sizes.items()}
    return replace(stars, x=x, y=y, mean_radius=stars.mean_radius * grid.pitch, **values, **sigmas)


def radius_in_frame(radius: ImageRadius, grid: Grid) -> ImageRadius:
    """The radii of an image in pixels of the full-resolution frame, of the light as it fell."""
    if grid.pitch == 1:
        return radius
    found: dict[str, float] = {}
    for name, square in _SQUARES.items():
        value, sigma = getattr(radius, f"{name}_px"), getattr(radius, f"{name}_sigma_px")
        value, sigma = _in_frame(value, sigma, grid, square)
        found |= {f"{name}_px": float(value), f"{name}_sigma_px": float(sigma)}
    return replace(radius, **found)


def _in_frame(
    value: np.ndarray, sigma: np.ndarray, grid: Grid, square: float
) -> tuple[np.ndarray, np.ndarray]:
    size = value * grid.pitch
    whole = np.sqrt(size**2 + square * grid.held_px2)
    return whole, sigma * grid.pitch * size / whole
