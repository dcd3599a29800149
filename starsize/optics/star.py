"""The size of a star: pupil, defocus, colour, seeing, to the radius that holds a share of the light.

The star is the sum over the colours of its band of transfer functions (`pupil`), each with the
defocus of its colour, times that of the seeing. The light inside a radius R is
2 pi R integral of OTF(f) J1(2 pi f R) df. The pixel has no part in it: this is the light as it
falls on the sensor.
"""

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from scipy.sparse import csr_matrix
from scipy.special import j0, j1

from .pupil import PupilTable, pupil_table

MIDDLE_UM: Final = 0.55
"""Wavelength at which seeing and spherical aberration are stated."""
#: Chebyshev places of a spread of defocus, in units of its half-width.
SPREAD_NODES: Final = np.cos(np.pi * (2 * np.arange(4) + 1) / 8)
FINE_NM: Final = 12.0
DRAFT_NM: Final = 36.0
"""A narrower band is one colour; a wider one has a colour for each so many nanometres, fifteen at
most, or about: a coloured lens spreads the blue over many discs that three colours do not fill."""
_SEEING_REACH = 1.75
_LARGEST_TABLE = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Telescope:
    """A telescope and its camera as the light sees them.

    Attributes
    ----------
    focal_ratio, pixel_um : float
    obstruction : float
        Its diameter over that of the aperture.
    """

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
    wavelength_nm: float, width_nm: float, *, each_nm: float = FINE_NM
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gauss-Legendre colours of a band: micrometres, places in it from -1 to 1, shares."""
    count = 1 if width_nm < FINE_NM else int(np.clip(np.ceil(width_nm / each_nm), 3, 15))
    place, share = np.polynomial.legendre.leggauss(count)
    return 1e-3 * (wavelength_nm + place * width_nm / 2), place, share / 2


def colour_terms(wavelength_um: np.ndarray) -> np.ndarray:
    """Terms of the focus of a lens: v, v^2 and v^3 / (1 + v), v = (550 nm / lambda)^2 - 1: (3, ...).

    The index of glass is a sum of powers lambda^-2, lambda^-4 and lambda^2 (Schott's formula), and
    so is the power of thin lenses; together the terms span these. Accuracy: 2 to 11 um rms from
    405 to 690 nm for achromats of 400 to 1,000 mm, 2 um for doublets of low dispersion.
    """
    v = (MIDDLE_UM / wavelength_um) ** 2 - 1
    return np.stack([v, v * v, v**3 / (1 + v)])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StarState:
    """What shapes the stars of n frames; a scalar serves all of them.

    Attributes
    ----------
    blur_px : (n,) array
        Defocus as the radius of its disc, signed.
    seeing_px : (n,) array
        Full width at half maximum at 550 nm.
    diffraction_px_per_um : float
        Size lambda N of diffraction for each micrometre of wavelength.
    colour_px : (3,) array
        The lens: disc radius that `colour_terms` takes off.
    spherical : float
        Waves at 550 nm.
    spread_px : float
        Half-width of a spread of defocus over the field or over the directions in the pupil.
    air : float
        Exponent of the seeing's transfer function: 5/3 for turbulence, 2 for a Gaussian.
    spectrum : (2,) array
        Slope and bend of the light, as star and sensor make it: it goes as exp(s1 u + s2 u^2),
        u = (lambda - 550 nm) / 150 nm.
    tint : (n,) array
        Slope along the band on top of that: exp(tint * place).
    """

    blur_px: np.ndarray
    seeing_px: np.ndarray
    diffraction_px_per_um: float
    colour_px: np.ndarray = field(default_factory=lambda: np.zeros(3))
    spherical: float = 0.0
    spread_px: float = 0.0
    air: float = 5 / 3
    spectrum: np.ndarray = field(default_factory=lambda: np.zeros(2))
    tint: np.ndarray = field(default_factory=lambda: np.zeros(1))


@dataclass(frozen=True, slots=True, eq=False)
class Stars:
    """The stars of n frames, ready to be computed: their colours as rows, one below the other."""

    owner: np.ndarray
    starts: np.ndarray
    wavelength_um: np.ndarray
    place: np.ndarray
    share: np.ndarray
    terms: np.ndarray
    hue: np.ndarray
    table: PupilTable


def prepare_stars(
    bands_nm: list[tuple[float, float]],
    which: np.ndarray,
    *,
    telescope: Telescope,
    largest_blur_px: float,
    finest_seeing_px: float,
) -> Stars:
    """Lay out the colours of n frames.

    Parameters
    ----------
    bands_nm : list of (wavelength, width)
    which : (n,) int array
        Band of each frame.
    largest_blur_px, finest_seeing_px : float
        Bounds that size the table.
    """
    edges = np.array([w + side * width / 2 for w, width in bands_nm for side in (-1, 1)])
    shortest = 1e-3 * edges.min() * telescope.diffraction_px_per_um
    longest = 1e-3 * edges.max() * telescope.diffraction_px_per_um
    top = float(min(1.0, _SEEING_REACH * longest / finest_seeing_px))
    most = float(min(largest_blur_px / (4 * shortest) + 1, _LARGEST_TABLE))
    turns = top * largest_blur_px / shortest
    nodes = int(16 * np.ceil(np.clip(32 + 2.2 * turns, 64, 320) / 16))
    table = pupil_table(
        round(telescope.obstruction, 3), float(np.ceil(most)), top=min(1.0, np.ceil(10 * top) / 10), nodes=nodes
    )
    return lay_out(table, bands_nm, which)


def lay_out(
    table: PupilTable,
    bands_nm: list[tuple[float, float]],
    which: np.ndarray,
    *,
    each_nm: float = FINE_NM,
) -> Stars:
    """Stars of frames in the bands given, by a table there is."""
    bands = [band_colours(*band, each_nm=each_nm) for band in bands_nm]
    counts = np.array([len(bands[k][0]) for k in which])
    wavelength, place, share = (np.concatenate([bands[k][i] for k in which]) for i in range(3))
    return Stars(
        owner=np.repeat(np.arange(len(which)), counts),
        starts=np.concatenate([[0], np.cumsum(counts)[:-1]]),
        wavelength_um=wavelength,
        place=place,
        share=share,
        terms=colour_terms(wavelength),
        hue=np.stack([u := (wavelength - MIDDLE_UM) / 0.15, u * u]),
        table=table,
    )


@dataclass(frozen=True, slots=True, eq=False)
class Sizes:
    """Radii and their slopes by each quantity of `StarState`, pixels: (n,) arrays, colour (3, n)."""

    radius: np.ndarray
    by_blur: np.ndarray
    by_log_seeing: np.ndarray
    by_colour: np.ndarray
    by_spherical: np.ndarray
    by_spread: np.ndarray
    by_air: np.ndarray
    by_spectrum: np.ndarray
    by_tint: np.ndarray


def star_sizes(
    stars: Stars, state: StarState, *, fraction: float = 0.5, start_px: np.ndarray | None = None
) -> Sizes:
    """Radius that holds a share of the light of each frame's star, and its slopes.

    Parameters
    ----------
    stars : Stars
    state : StarState
    fraction : float
        Share of the light, 0 to 1.
    start_px : (n,) array, optional
        About where the radii lie.

    Notes
    -----
    U(r) = integral of exp(2 pi i (D q + S (q^2 - q))) J0(pi r sqrt(q)) dq is what the pupil makes
    of one colour (r in lambda N); its transfer function comes from `pupil_table`. D = blur /
    (4 lambda N) for blur and N in pixels; S goes as 1 / lambda; the seeing passes
    exp(-3.44 (f FWHM / 0.976)^(5/3)), FWHM as lambda^-0.2 (Fried 1966, long exposure -- from memory).
    """
    table, owner, starts = stars.table, stars.owner, stars.starts
    blur = state.blur_px[owner] - state.colour_px @ stars.terms
    tint = np.broadcast_to(state.tint, state.blur_px.shape)[owner]
    share = stars.share * np.exp(tint * stars.place + state.spectrum @ stars.hue)
    share = share / np.add.reduceat(share, starts)[owner]
    scale = stars.wavelength_um * state.diffraction_px_per_um
    wave = 4 * scale
    nodes = SPREAD_NODES if state.spread_px else np.zeros(1)
    defocus = (blur[:, None] + state.spread_px * nodes) / wave[:, None]
    bend = MIDDLE_UM / stars.wavelength_um
    spherical = np.broadcast_to((state.spherical * bend)[:, None], defocus.shape)
    equal = np.full(defocus.shape, 1 / nodes.size)
    read, by_defocus, by_spherical = table.weights(defocus, spherical, equal)
    per_px = table.detail / scale[:, None]
    width = state.seeing_px[owner] * (stars.wavelength_um / MIDDLE_UM) ** -0.2
    log_detail = np.log(per_px * width[:, None] / 0.976)
    turbulence = 3.44 * np.exp(state.air * log_detail)
    passed = np.exp(-turbulence) * (table.weight / scale[:, None] * 2 * np.pi)
    light = passed * (share[:, None] * (read @ table.coefficients))
    if start_px is None:
        sharp = 0.53 * MIDDLE_UM * state.diffraction_px_per_um
        start_px = np.sqrt(sharp**2 + (0.57 * state.seeing_px) ** 2 + 0.5 * state.blur_px**2)
    radius, inside = _radius(per_px, light, owner=owner, starts=starts, fraction=fraction, start=start_px)
    kernel = radius[owner][:, None] * inside
    rate = -1 / _per_star(2 * np.pi * per_px * light * j0(2 * np.pi * per_px * radius[owner][:, None]) * radius[owner][:, None], starts)
    shaped = kernel * passed * share[:, None]
    d_defocus = (shaped * (by_defocus @ table.coefficients)).sum(1) / wave
    d_spherical = (shaped * (by_spherical @ table.coefficients)).sum(1) * bend
    enclosed = (kernel * light).sum(1)
    dimmed = kernel * light * turbulence
    total = lambda row: np.add.reduceat(row, starts)  # noqa: E731

    def by_share(exponent: np.ndarray) -> np.ndarray:
        return rate * total(enclosed * (exponent - total(share * exponent)[owner]))

    return Sizes(
        radius=radius,
        by_blur=rate * total(d_defocus),
        by_log_seeing=rate * total(-state.air * dimmed.sum(1)),
        by_air=rate * total(-(dimmed * log_detail).sum(1)),
        by_colour=np.stack([-rate * total(d_defocus * term) for term in stars.terms]),
        by_spherical=rate * total(d_spherical),
        by_spread=rate * total(_by_spread(stars, shaped, defocus, spherical, nodes) / wave),
        by_spectrum=np.stack([by_share(hue) for hue in stars.hue]),
        by_tint=by_share(stars.place),
    )


def _by_spread(stars: Stars, shaped, defocus, spherical, nodes) -> np.ndarray:
    if nodes.size == 1:
        return np.zeros(len(defocus))
    shares = np.broadcast_to(nodes / nodes.size, defocus.shape)
    slope: csr_matrix = stars.table.weights(defocus, spherical, shares)[1]
    return (shaped * (slope @ stars.table.coefficients)).sum(1)


def _per_star(rows: np.ndarray, starts: np.ndarray) -> np.ndarray:
    return np.add.reduceat(rows.sum(1), starts)


def _radius(per_px, light, *, owner, starts, fraction, start) -> tuple[np.ndarray, np.ndarray]:
    """Halley's method on the light inside a radius, and J1 there."""
    turn = 2 * np.pi * per_px
    radius = start
    for _ in range(12):
        phase = turn * radius[owner][:, None]
        edge, ring = light * j1(phase), light * turn * j0(phase)
        missing = fraction - radius * _per_star(edge, starts)
        slope = radius * _per_star(ring, starts)
        bend = _per_star(ring - edge * turn * phase, starts)
        # The light grows all the way out; where rounding says no, a step in its direction will do.
        slope = np.maximum(slope, 0.05 * fraction / radius)
        step = missing / slope
        step = step / np.maximum(1 + 0.5 * step * bend / slope, 0.5)
        step = np.clip(step, -0.4 * radius, 0.6 * radius)
        radius = radius + step
        if np.all(np.abs(step) < 1e-3 * radius):
            break
    return radius, j1(turn * radius[owner][:, None])
