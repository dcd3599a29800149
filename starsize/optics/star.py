"""What shapes a star: telescope, colours of its band, seeing, and what photometry sees of it.

The star is the sum over the colours of its band of transfer functions (`pupil`), each with the
defocus of its colour, times that of the seeing; `sizes` reads radii off it. It is the light as it
falls on the sensor, or as much of it as photometry sees (`Apertures`).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final

import numpy as np
from scipy.special import j0, j1

from .pupil import PupilTable, gauss_legendre, pupil_table, round_reach

MIDDLE_UM: Final = 0.55
"""Wavelength at which seeing and spherical aberration are stated."""
HUE_UM: Final = 0.15
USUAL_SPECTRUM: Final = np.array([0.3, -0.7, 0.0])
"""Slope and bend of usual light (`StarState.spectrum`): photons of a black body of 5,500 K (Planck:
0.29, -0.22) on silicon that passes 0.6 as much at 400 and 700 nm as at 550 (common practice)."""
PARTS: Final = 4
"""Of each colour's cell."""
#: Chebyshev places of a spread of defocus, in units of its half-width, in no order.
SPREAD_NODES: Final = np.cos(np.pi * (2 * np.array([1, 3, 0, 2]) + 1) / 8)
FINE_NM: Final = 20.0
"""A narrower band is one colour; a wider one has a colour for each so many nanometres."""
PIECE: Final = 64
"""Frames of a band computed at once: their arrays stay in the processor's cache."""
_SEEING_REACH = 1.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Telescope:
    """A telescope and its camera as the light sees them; the obstruction over the aperture."""

    focal_ratio: float
    pixel_um: float
    obstruction: float = 0.0

    @property
    def diffraction_px_per_um(self) -> float:
        """Size lambda N of diffraction in pixels, for each micrometre of wavelength."""
        return self.focal_ratio / self.pixel_um

    @property
    def blur_px_per_um(self) -> float:
        """Radius in pixels of the disc that a micrometre of defocus makes."""
        return 1 / (2 * self.focal_ratio * self.pixel_um)


def band_colours(
    wavelength_nm: float, width_nm: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Colours of a band, in cells of equal v = (550 nm / lambda)^2: micrometres, shares, parts.

    Where a lens spreads a band over many discs, no few of them fill it: the parts (n, 4) of a cell
    each have a defocus of their own, and stand for equal shares of the usual light: a
    nanometre in the blue moves a fast achromat's focus by as much as the zone.
    """
    count = 1 if width_nm < FINE_NM else max(3, int(np.ceil(width_nm / FINE_NM)))
    low, high = ((1e-3 * (wavelength_nm + side * width_nm / 2)) ** -2.0 for side in (-1, 1))
    edge = (low + (high - low) * (np.arange(count + 1) / count)) ** -0.5
    share = np.diff(edge) / np.ptp(edge) if width_nm else np.ones(1)
    fine = np.linspace(edge[0], edge[-1], 401)
    u = (fine - MIDDLE_UM) / HUE_UM
    light = np.cumsum(np.exp(USUAL_SPECTRUM[:2] @ np.stack([u, u * u])))
    first = np.interp(edge, fine, light)
    at = first[:-1, None] + np.diff(first)[:, None] * (np.arange(1, 2 * PARTS) / (2 * PARTS))
    colours = np.interp(at, light, fine)
    return colours[:, PARTS - 1], share, colours[:, ::2]


def colour_terms(wavelength_um: np.ndarray) -> np.ndarray:
    """Terms of the focus of a lens, v = (550 nm / lambda)^2 - 1: (3, ...).

    v, w - u / 5 and u, with w = v^2 + v^4 / (5 (1 + v)) and u = v^3 / (1 + v). The index of glass
    is a sum of powers lambda^-2, lambda^-4 and lambda^2 (Schott's formula) with a pole in the
    ultraviolet behind them, and so is the power of thin lenses; the fifths are what 36 pairs of
    catalogue glasses ask for: the second term is what a doublet of crown and flint leaves.
    Accuracy: from 402 to 692 nm 2 um rms for doublets of 1,000 mm (of nine in ten 5 um).
    """
    v = (MIDDLE_UM / wavelength_um) ** 2 - 1
    last = v**3 / (1 + v)
    return np.stack([v, v * v + 0.2 * (v - 1) * last, last])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarState:
    """What shapes the stars of n frames; a scalar serves all of them."""

    blur_px: np.ndarray
    """Defocus as the radius of its disc, signed: (n,)."""
    seeing_px: np.ndarray
    """Full width at half maximum at 550 nm: (n,)."""
    diffraction_px_per_um: float
    colour_px: np.ndarray = field(default_factory=lambda: np.zeros(3))
    """The lens: disc radius that `colour_terms` takes off."""
    spherical: float = 0.0
    """Waves at 550 nm."""
    spread_px: float = 0.0
    """Half-width of a spread of defocus over the field or over the directions in the pupil."""
    air: float = 5 / 3
    """Exponent of the seeing's transfer function: 5/3 for turbulence, 2 for a Gaussian."""
    spectrum: np.ndarray = field(default_factory=lambda: np.zeros(3))
    """Light goes as exp(s1 u + s2 u^2 + s3 place^2), u = (lambda - 550 nm) / 150 nm, place from -1
    to 1 along the band: slope and bend as star and sensor make them, and how bands round off."""
    tint: np.ndarray = field(default_factory=lambda: np.zeros(1))
    """Slope along the band on top of that, exp(tint * place): (n,)."""


@dataclass(frozen=True, slots=True, eq=False)
class Apertures:
    """In which light photometry sees the stars of n frames, pixels; NaN where it is all of it."""

    total_px: np.ndarray
    """The light inside this circle counts as all of it."""
    inner_px: np.ndarray
    outer_px: np.ndarray
    """The ring whose mean level was taken for the sky's."""
    pixel_px2: np.ndarray
    """Variance along an axis of what the pixels add to the blur."""

    def __iter__(self) -> Iterator[np.ndarray]:
        """Its columns, in order."""
        return (getattr(self, name) for name in Apertures.__slots__)


def all_light(count: int) -> Apertures:
    """Stars as they fall on the sensor, none of their light missed."""
    nothing = np.full(count, np.nan)
    return Apertures(nothing, nothing, nothing, np.zeros(count))


@dataclass(frozen=True, slots=True, eq=False)
class BandStars:
    """Stars of n frames through one band of c colours, in p parts each."""

    star: np.ndarray
    """Which of all stars they are: (n,)."""
    wavelength_um: np.ndarray
    place: np.ndarray
    share: np.ndarray
    terms: np.ndarray
    """Of the parts of each colour's cell: (3, c, p)."""
    side: np.ndarray
    """Where each stands in a spread of defocus: (c, p)."""
    hue: np.ndarray
    """What ``StarState.spectrum`` stands before: (3, c)."""


@dataclass(frozen=True, slots=True, eq=False)
class Frequencies:
    """At which all colours are added up, cycles per pixel, and the weights of their quadrature."""

    cycles: np.ndarray
    weight: np.ndarray


@dataclass(frozen=True, slots=True, eq=False)
class Stars:
    """The stars of n frames, ready to be computed piece by piece.

    Of each star the radii are asked that lie in the light ``seen``: (n,), or (r, n) for r of each.
    """

    pieces: tuple[BandStars, ...]
    table: PupilTable
    frequencies: Frequencies
    seen: Apertures
    whole: "Whole"


@dataclass(frozen=True, slots=True, eq=False)
class Whole:
    """What counts as all of a star's light, and the level of its sky: kernels (..., n, k) over pi.

    ``light`` is F(a) - a^2 m and ``ring`` is m of `sizes.star_sizes`; ``light_grown`` and
    ``ring_grown`` are their slopes by the logarithm of all lengths of `Apertures`.
    """

    light: np.ndarray
    ring: np.ndarray
    light_grown: np.ndarray
    ring_grown: np.ndarray


def whole_of(seen: Apertures, frequencies: Frequencies) -> Whole:
    """Kernels of what photometry took for all of the light; zero where it is all there is."""
    if not np.isfinite(seen.total_px).any():
        none = np.broadcast_to(0.0, (*seen.total_px.shape, frequencies.cycles.size))
        return Whole(none, none, none, none)
    a, b, c = map(np.nan_to_num, (seen.total_px, seen.inner_px, seen.outer_px))
    (circle, grown), inner, outer = (disc(frequencies, radius) for radius in (a, b, c))
    area = np.where(c > b, c * c - b * b, 1.0)[..., None]
    ring, ring_grown = ((far - near) / area for far, near in zip(outer, inner, strict=True))
    ring_grown = ring_grown - 2 * ring
    square = (a * a)[..., None]
    light_grown = grown - square * (2 * ring + ring_grown)
    return Whole(circle - square * ring, ring, light_grown, ring_grown)


def disc(frequencies: Frequencies, radius: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Kernels (..., k) of the light inside radii over pi, and their slopes by ln radius."""
    phase = 2 * np.pi * frequencies.cycles * radius[..., None]
    return radius[..., None] * j1(phase), radius[..., None] * phase * j0(phase)


def prepare_stars(
    bands_nm: list[tuple[float, float]],
    which: np.ndarray,
    *,
    telescope: Telescope,
    largest_blur_px: float,
    finest_seeing_px: float,
    seen: Apertures | None = None,
) -> Stars:
    """Lay out the colours of n frames: ``which`` of the bands (wavelength, width) each has.

    Blur and seeing bound the table's size; all of the light is seen where nothing is ``seen``.
    """
    edges = np.array([w + side * width / 2 for w, width in bands_nm for side in (-1, 1)])
    shortest = 1e-3 * edges.min() * telescope.diffraction_px_per_um
    longest = 1e-3 * edges.max() * telescope.diffraction_px_per_um
    top = float(min(1.0, _SEEING_REACH * longest / finest_seeing_px))
    table = pupil_table(
        round(telescope.obstruction, 3),
        round_reach(largest_blur_px / (4 * shortest) + 1),
        top=min(1.0, np.ceil(10 * top) / 10),
        nodes=_nodes(top * largest_blur_px / longest),
    )
    widest = np.nanmax(seen.outer_px) if seen and np.isfinite(seen.outer_px).any() else 0.0
    nodes = max(2 * table.detail.size, _nodes(top * float(widest) / longest))
    diffraction = telescope.diffraction_px_per_um
    return lay_out(table, bands_nm, which, diffraction=diffraction, seen=seen, nodes=nodes)


def _nodes(turns: float) -> int:
    """Frequencies enough for waves that turn so often."""
    return int(16 * np.ceil(np.clip(32 + 1.2 * turns, 48, 320) / 16))


def lay_out(
    table: PupilTable,
    bands_nm: list[tuple[float, float]],
    which: np.ndarray,
    *,
    diffraction: float,
    seen: Apertures | None = None,
    nodes: int | None = None,
) -> Stars:
    """Stars of frames in the bands given, by a table there is.

    ``diffraction`` is about that of `StarState`; ``nodes`` is the number of frequencies.
    """
    kinds = list(dict.fromkeys(bands_nm[k] for k in which))
    kind = np.array([kinds.index(bands_nm[k]) for k in which], int)
    pieces = []
    for k, band in enumerate(kinds):
        mine = np.flatnonzero(kind == k)
        some = np.array_split(mine, -(-mine.size // PIECE))
        pieces += [_of_band(band, star) for star in some]
    # No colour shows detail beyond the table's last frequency.
    shortest = min(piece.wavelength_um.min() for piece in pieces)
    top = table.top / (float(shortest) * diffraction)
    frequencies = _frequencies(top, nodes or 2 * table.detail.size)
    seen = seen or all_light(len(which))
    return Stars(tuple(pieces), table, frequencies, seen, whole_of(seen, frequencies))


def _of_band(band_nm: tuple[float, float], star: np.ndarray) -> BandStars:
    wavelength, share, parts = band_colours(*band_nm)
    middle, half = 1e-3 * band_nm[0], 0.5e-3 * band_nm[1]
    place = (wavelength - middle) / max(half, 5e-7)
    # Neighbouring colours take the places of a spread in other orders, so that all pairs meet.
    order = (np.arange(PARTS) + np.arange(wavelength.size)[:, None]) % PARTS
    return BandStars(
        star=star,
        wavelength_um=wavelength,
        place=place,
        share=share,
        terms=colour_terms(parts),
        side=SPREAD_NODES[order],
        hue=np.stack([u := (wavelength - MIDDLE_UM) / HUE_UM, u * u, place**2]),
    )


@lru_cache(maxsize=32)
def _frequencies(top: float, nodes: int) -> Frequencies:
    node, weight = gauss_legendre(nodes)
    # Wide stars show but coarse detail.
    node = (node + 1) / 2
    return Frequencies(top * node**1.5, 0.75 * top * weight * np.sqrt(node))


@lru_cache(maxsize=32)
def onto(
    table: PupilTable, frequencies: Frequencies, colours_um: tuple[float, ...], diffraction: float
) -> np.ndarray:
    """Matrices (c, j, k) that read each colour's transfer function off at common frequencies."""
    scale = np.array(colours_um)[:, None] * diffraction
    return table.onto(frequencies.cycles * scale)
