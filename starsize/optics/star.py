"""What shapes a star: telescope, colours of its band, seeing, and what photometry sees of it.

The star is the sum over the colours of its band of transfer functions (`pupil`), each with the
defocus of its colour, times that of the seeing; `sizes` reads radii off it. It is the light as it
falls on the sensor, or as much of it as photometry sees (`Apertures`).
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final, NamedTuple

import numpy as np
from scipy.special import j0, j1

from .pupil import PupilTable, gauss_legendre, pupil_table, round_reach

MIDDLE_UM: Final = 0.55  # wavelength at which seeing and spherical aberration are stated
USUAL_FOCAL_RATIO: Final = 6.0
USUAL_PIXEL_UM: Final = 3.76
HUE_UM: Final = 0.15
USUAL_SPECTRUM: Final = np.array([0.3, -0.7, 0.0])
"""Slope and bend of usual light (`StarState.spectrum`): photons of a black body of 5,500 K (Planck:
0.29, -0.22) on silicon that passes 0.6 as much at 400 and 700 nm as at 550 (common practice)."""
PARTS: Final = 4  # of each colour's cell
#: Chebyshev places of a spread of defocus, in units of its half-width, in no order.
SPREAD_NODES: Final = np.cos(np.pi * (2 * np.array([1, 3, 0, 2]) + 1) / 8)
FINE_NM: Final = 20.0
"""A narrower band is one colour; a wider one has a colour for each so many nanometres."""
PIECE: Final = 64  # frames of a band computed at once: their arrays stay in the processor's cache
_SEEING_REACH = 1.75


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """What is stated of telescope and camera; the obstruction is over the aperture.

    Usual values stand in for focal ratio and pixel.
    """

    focal_ratio: float | None = None
    pixel_um: float | None = None
    um_per_step: float | None = None
    obstruction: float = 0.0

    @property
    def diffraction_px_per_um(self) -> float:
        """Size lambda N of diffraction in pixels, for each micrometre of wavelength."""
        return (self.focal_ratio or USUAL_FOCAL_RATIO) / (self.pixel_um or USUAL_PIXEL_UM)

    @property
    def blur_px_per_um(self) -> float:
        """Radius in pixels of the disc that a micrometre of defocus makes."""
        ratio, pixel_um = self.focal_ratio or USUAL_FOCAL_RATIO, self.pixel_um or USUAL_PIXEL_UM
        return 1 / (2 * ratio * pixel_um)

    @property
    def slope_px_per_step(self) -> float | None:
        """Radius of the disc of defocus per step, where all it takes is stated."""
        if self.focal_ratio and self.pixel_um and self.um_per_step:
            return self.blur_px_per_um * self.um_per_step
        return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarState:
    """What shapes the stars of n frames; a scalar serves all of them."""

    blur_px: np.ndarray  # defocus as the radius of its disc, signed: (n,)
    seeing_px: np.ndarray  # full width at half maximum at 550 nm: (n,)
    diffraction_px_per_um: float
    colour_px: np.ndarray = field(default_factory=lambda: np.zeros(3))
    """The lens: disc radius that `colour_terms` takes off."""
    spherical: float = 0.0  # waves at 550 nm
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

    total_px: np.ndarray  # the light inside this circle counts as all of it
    inner_px: np.ndarray  # of the ring whose mean level was taken for the sky's
    outer_px: np.ndarray
    pixel_px2: np.ndarray  # variance along an axis of what the pixels add to the blur

    def __iter__(self) -> Iterator[np.ndarray]:
        """Its columns, in order."""
        return (getattr(self, name) for name in Apertures.__slots__)


def all_light(count: int) -> Apertures:
    """Stars as they fall on the sensor, none of their light missed."""
    nothing = np.full(count, np.nan)
    return Apertures(nothing, nothing, nothing, np.zeros(count))


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


class Colours(NamedTuple):
    """The c colours of a band, whose cells have p parts each."""

    wavelength_um: np.ndarray
    share: np.ndarray
    terms: np.ndarray  # `colour_terms` of the parts: (3, c, p)
    side: np.ndarray  # where each part stands in a spread of defocus: (c, p)
    hue: np.ndarray  # what ``StarState.spectrum`` and ``tint`` stand before: (4, c)


def band_colours(wavelength_nm: float, width_nm: float) -> Colours:
    """Colours of a band, in cells of equal v = (550 nm / lambda)^2.

    Where a lens spreads a band over many discs, no few of them fill it: the four parts of a cell
    each have a defocus of their own, and stand for equal shares of the usual light: a
    nanometre in the blue moves a fast achromat's focus by as much as the zone.
    """
    count = 1 if width_nm < FINE_NM else max(3, int(np.ceil(width_nm / FINE_NM)))
    low, high = ((1e-3 * (wavelength_nm + side * width_nm / 2)) ** -2.0 for side in (-1, 1))
    edge = (low + (high - low) * (np.arange(count + 1) / count)) ** -0.5
    fine = np.linspace(edge[0], edge[-1], 401)
    u = (fine - MIDDLE_UM) / HUE_UM
    light = np.cumsum(np.exp(USUAL_SPECTRUM[:2] @ np.stack([u, u * u])))
    first = np.interp(edge, fine, light)
    at = first[:-1, None] + np.diff(first)[:, None] * (np.arange(1, 2 * PARTS) / (2 * PARTS))
    parts = np.interp(at, light, fine)
    wavelength = parts[:, PARTS - 1]
    u = (wavelength - MIDDLE_UM) / HUE_UM
    place = (wavelength - 1e-3 * wavelength_nm) / max(0.5e-3 * width_nm, 5e-7)
    # Neighbouring colours take the places of a spread in other orders, so that all pairs meet.
    order = (np.arange(PARTS) + np.arange(count)[:, None]) % PARTS
    return Colours(
        wavelength_um=wavelength,
        share=np.diff(edge) / np.ptp(edge) if width_nm else np.ones(1),
        terms=colour_terms(parts[:, ::2]),
        side=SPREAD_NODES[order],
        hue=np.stack([u, u * u, place**2, place]),
    )


@dataclass(frozen=True, slots=True, eq=False)
class Frequencies:
    """At which all colours are added up, cycles per pixel, and the weights of their quadrature."""

    cycles: np.ndarray
    weight: np.ndarray


@lru_cache(maxsize=32)
def _frequencies(top: float, nodes: int) -> Frequencies:
    node, weight = gauss_legendre(nodes)
    # Wide stars show but coarse detail.
    node = (node + 1) / 2
    return Frequencies(top * node**1.5, 0.75 * top * weight * np.sqrt(node))


@dataclass(frozen=True, slots=True, eq=False)
class Stars:
    """The stars of n frames, ready to be computed piece by piece.

    Of each star the radii are asked that lie in the light ``seen``: (n,), or (r, n) for r of each.
    """

    bands_nm: list[tuple[float, float]]  # wavelength and width
    diffraction: float  # about that of `StarState`
    pieces: list[tuple[np.ndarray, Colours]]  # which stars, and the colours of their band
    table: PupilTable
    frequencies: Frequencies
    seen: Apertures
    whole: np.ndarray
    """Kernels over pi of what counts as all of the light, F(a) - a^2 m of `sizes.star_sizes`, and
    of the sky's level m, and the slopes of both by the logarithm of all lengths of `Apertures`:
    (4, ..., n, k)."""

    def elsewhere(self, which: np.ndarray) -> "Stars":
        """Stars of other frames in the bands ``which``, all of their light seen."""
        nodes, seen = 2 * self.table.detail.size, all_light(len(which))
        return _laid_out(self.table, self.bands_nm, which, self.diffraction, seen, nodes)


def prepare_stars(
    bands_nm: list[tuple[float, float]],
    which: np.ndarray,
    *,
    telescope: Known,
    largest_blur_px: float,
    finest_seeing_px: float,
    seen: Apertures | None = None,
) -> Stars:
    """Lay out the colours of n frames: ``which`` of the bands (wavelength, width) each has.

    Blur and seeing bound the table's size; all of the light is seen where nothing is ``seen``.
    """
    diffraction = telescope.diffraction_px_per_um
    edges = np.array([w + side * width / 2 for w, width in bands_nm for side in (-1, 1)])
    shortest, longest = (1e-3 * edge * diffraction for edge in (edges.min(), edges.max()))
    top = float(min(1.0, _SEEING_REACH * longest / finest_seeing_px))
    table = pupil_table(
        round(telescope.obstruction, 3),
        round_reach(largest_blur_px / (4 * shortest) + 1),
        top=min(1.0, np.ceil(10 * top) / 10),
        nodes=_nodes(top * largest_blur_px / longest),
    )
    seen = seen or all_light(len(which))
    widest = float(np.nanmax(np.append(seen.outer_px, 0.0)))
    nodes = max(2 * table.detail.size, _nodes(top * widest / longest))
    return _laid_out(table, bands_nm, which, diffraction, seen, nodes)


def _nodes(turns: float) -> int:
    """Frequencies enough for waves that turn so often."""
    return int(16 * np.ceil(np.clip(32 + 1.2 * turns, 48, 320) / 16))


def _laid_out(
    table: PupilTable,
    bands_nm: list[tuple[float, float]],
    which: np.ndarray,
    diffraction: float,
    seen: Apertures,
    nodes: int,
) -> Stars:
    pieces = []
    for band in dict.fromkeys(bands_nm[k] for k in which):
        mine = np.flatnonzero([bands_nm[k] == band for k in which])
        colours = band_colours(*band)
        pieces += [(star, colours) for star in np.array_split(mine, -(-mine.size // PIECE))]
    # No colour shows detail beyond the table's last frequency.
    shortest = min(float(colours.wavelength_um.min()) for _, colours in pieces)
    frequencies = _frequencies(table.top / (shortest * diffraction), nodes)
    whole = _whole(seen, frequencies.cycles)
    return Stars(bands_nm, diffraction, pieces, table, frequencies, seen, whole)


def _whole(seen: Apertures, cycles: np.ndarray) -> np.ndarray:
    """``Stars.whole``; zero where there is no circle."""
    if not np.isfinite(seen.total_px).any():
        return np.broadcast_to(0.0, (4, *seen.total_px.shape, cycles.size))
    a, b, c = radius = np.nan_to_num(np.stack([*seen][:3]))[..., None]
    phase = 2 * np.pi * cycles * radius
    # The light inside a radius, and its slope by ln radius.
    circle, inner, outer = np.stack([radius * j1(phase), radius * phase * j0(phase)], axis=1)
    ring, ring_grown = (outer - inner) / np.where(c > b, c * c - b * b, 1.0)
    ring_grown = ring_grown - 2 * ring
    light, light_grown = circle - a * a * np.stack([ring, 2 * ring + ring_grown])
    return np.stack([light, ring, light_grown, ring_grown])


@lru_cache(maxsize=32)
def onto(
    table: PupilTable, frequencies: Frequencies, colours_um: tuple[float, ...], diffraction: float
) -> np.ndarray:
    """Matrices (c, j, k) that read each colour's transfer function off at common frequencies."""
    scale = np.array(colours_um)[:, None] * diffraction
    return table.onto(frequencies.cycles * scale)
