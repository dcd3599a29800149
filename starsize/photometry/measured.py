"""What the photometry of one image takes and hands on: its pixels' grid, its stars, its radius."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from enum import IntFlag

import numpy as np

from .sky import Sky


class StarFlag(IntFlag):
    """Reasons to set a star aside; 0 means none.

    Examples
    --------
    >>> flag = StarFlag.SATURATED | StarFlag.EDGE
    >>> bool(flag & StarFlag.SATURATED), bool(flag & StarFlag.BLENDED)
    (True, False)
    """

    EDGE = 1
    """Its light, or its sky, reaches beyond the frame."""
    SATURATED = 2
    """A pixel within its light stands at the ceiling of the camera."""
    BLENDED = 4
    """Another star shares its light."""
    FAINT = 8
    """Too faint for its radius to mean anything."""
    SHAPE = 16
    """Not like the other stars of the frame: a trail, a spike, a galaxy, a cosmic ray."""
    MASKED = 32
    """Too many of its pixels cannot be used."""
    UNMEASURED = 64
    """No radius could be found."""


def count_flags(flags: np.ndarray) -> dict[str, int]:
    """Count how many stars carry each flag, by flag name, leaving out those that none carries.

    Examples
    --------
    >>> count_flags(np.array([0, StarFlag.EDGE, StarFlag.EDGE | StarFlag.FAINT]))
    {'edge': 2, 'faint': 1}
    """
    counts = {flag: int(np.count_nonzero(flags & flag)) for flag in StarFlag}
    return {str(flag.name).lower(): n for flag, n in counts.items() if n}


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the pixels of a colour lie: pixel (i, j) at ``(row, column) + pitch * (i, j)``.

    Of green the mean of its two pixels in each square is taken: it lies between them.
    """

    corners: tuple[tuple[int, int], ...] = ((0, 0),)
    """(row, column) of the first pixels."""
    pitch: int = 1

    def pick(self, image: np.ndarray) -> np.ndarray:
        """Return the pixels of this grid as an image of their own."""
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
        """Variance along an axis of the smear of a pixel, in pixels of the grid squared.

        Red and blue pixels are half as wide as their pitch; the two green ones, a diagonal apart,
        smear by just as much as the whole square.
        """
        smeared = 1 / 12 + float(np.var([c for _, c in self.corners]))
        return smeared / self.pitch**2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Stars:
    """The stars of one image, an entry of each (n,) array; NaN where one could not be measured.

    Brightest first, but in the order of the places where these were given. Each star's radii and
    their standard uncertainties are from its own light alone, never drawn towards other stars'.
    """

    x: np.ndarray
    y: np.ndarray
    """Centre, pixels."""
    flux: np.ndarray
    flux_sigma: np.ndarray
    """All the star's light, wings included, ADU."""
    radius: np.ndarray
    radius_sigma: np.ndarray
    """Half-flux radius (see ``conventions``), pixels."""
    radius30: np.ndarray
    radius30_sigma: np.ndarray
    radius80: np.ndarray
    radius80_sigma: np.ndarray
    """The same for 30 and 80 % of the light."""
    bounded: np.ndarray
    bounded_sigma: np.ndarray
    """Of half of the light inside a circle of this image, as the pixels show it: no law of growth
    in it. What is half of what says ``bounds``."""
    bounds: np.ndarray
    """(n, 4), as `Bounded` has them, in its order."""
    mean_radius: np.ndarray
    """Flux-weighted mean radius inside twice ``radius80``, pixels: another quantity."""
    background: np.ndarray
    """Level of the sky under the star, ADU."""
    elongation: np.ndarray
    angle_deg: np.ndarray
    """Longer over shorter axis; direction of the longer, from +x towards +y, -90 to 90."""
    snr: np.ndarray
    """``flux`` over ``flux_sigma``."""
    flags: np.ndarray
    """``StarFlag`` bits, whole numbers."""

    def __len__(self) -> int:
        return len(self.x)

    def __repr__(self) -> str:
        return f"<Stars: {len(self)}>"

    def part(self, which: np.ndarray) -> "Stars":
        """Return some of the stars, by index or mask."""
        return Stars(**{f.name: getattr(self, f.name)[which] for f in fields(self)})

    def on_finer(self, pitch: int, origin: np.ndarray) -> "Stars":
        """Return the stars in pixels so many times finer; ``origin`` is there where (0, 0) was."""
        lengths = [f.name for f in fields(self) if "radius" in f.name or "bounded" in f.name]
        return replace(
            self,
            **{name: getattr(self, name) * pitch for name in lengths},
            x=self.x * pitch + origin[0],
            y=self.y * pitch + origin[1],
            bounds=self.bounds * (pitch, pitch, pitch, pitch**2),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Known:
    """Stars known from elsewhere: (n, 2) ``places``, about how large they are, and their light.

    The size is 0 and the light empty where these are not known.
    """

    places: np.ndarray
    radius_px: float = 0.0
    light_adu: np.ndarray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounded:
    """Radius of half of the light inside a circle, and all that it hangs on, in pixels.

    The light of the circle ``total_px`` counts as all; the sky's level is the mean of the ring from
    ``inner_px`` to ``outer_px``; pixels add the variance ``pixel_px2`` along an axis to the blur.
    """

    radius_px: float = float("nan")
    sigma_px: float = float("nan")
    total_px: float = float("nan")
    inner_px: float = float("nan")
    outer_px: float = float("nan")
    pixel_px2: float = float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImageRadius:
    """The radius that stands for the whole image.

    ``radius_sigma_px`` holds photons, read-out, sky and the scatter between the stars; seeing,
    which all stars of an image share, is the business of ``curves``. The radii, of half and of 30
    and 80 % of the light, are NaN exactly where ``reason`` says why.
    """

    radius_px: float = float("nan")
    radius_sigma_px: float = float("nan")
    radius30_px: float = float("nan")
    radius30_sigma_px: float = float("nan")
    radius80_px: float = float("nan")
    radius80_sigma_px: float = float("nan")
    bounded: Bounded = field(default_factory=Bounded)
    n_stars: int = 0
    """Stars behind ``radius_px``."""
    n_found: int = 0
    elongation: float = float("nan")
    """Longer over shorter axis of the typical star, and the direction of the longer."""
    elongation_angle_deg: float = float("nan")
    background_adu: float = float("nan")
    background_rms_adu: float = float("nan")
    set_aside: Mapping[str, int] = field(default_factory=dict)
    """Why other stars were not used: flag name -> how many."""
    reason: str | None = None
    """None, or one of ``REASONS``."""


#: Why an image has no radius.
REASONS = (
    "no_pixels", "too_small", "too_many_holes", "no_stars",
    "all_saturated", "all_faint", "none_usable",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredImage:
    """An image measured alone: its stars, its radius, its sky."""

    stars: Stars
    radius: ImageRadius
    sky: Sky
