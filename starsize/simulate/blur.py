"""The light of one noiseless star: its transfer function, round or in the plane."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline

from .pupil import Pupil, plane_transfer
from .scene import Scene
from .transfer import (
    kolmogorov_transfer,
    moffat_transfer,
    panel_nodes,
    ray_transfer,
    wave_transfer,
)

_BLACK = 1e-7
"""Transfer below which a frequency no longer matters."""
FINE = 5
"""Samples per pixel of a drawn star: frequencies above half of that are never needed."""


@dataclass(frozen=True, slots=True, eq=False)
class Blur:
    """Transfer function of a star before the pixels.

    Attributes
    ----------
    cycles_per_px, weight : (n,) float array
        Radial frequencies, and their quadrature weights for an integral over frequency.
    transfer : (n,) float array
        There, averaged over directions.
    edge_px : float
        Radius that holds the straight rays of all colours.
    seeing_px : float
        Full width at half maximum of the seeing.
    plane : (2 k + 1, k + 1) complex array, or None
        Of a star that is not round: at multiples of 1 / ``field_px``, rows as an FFT orders them.
    field_px : int
        Side of the square of ``plane``; light that strays further re-enters on the other side.
    """

    cycles_per_px: np.ndarray
    weight: np.ndarray
    transfer: np.ndarray
    edge_px: float
    seeing_px: float
    plane: np.ndarray | None = None
    field_px: int = 0


@dataclass(frozen=True, slots=True)
class _Colour:
    """One colour of a band: its share of the light, its focus, its spherical aberration."""

    nm: float
    share: float
    defocus_um: float
    spherical_um: float


def star_blur(
    scene: Scene,
    filter_name: str,
    outward_um: float,
    *,
    seeing_factor: float = 1.0,
    place: tuple[float, float] = (0.0, 0.0),
    smear_px: tuple[float, float] = (0.0, 0.0),
) -> Blur:
    """Blur of a star seen through one filter.

    Parameters
    ----------
    scene : Scene
    filter_name : str
    outward_um : float
        Place of the sensor, outward from the focus of the bare d line.
    seeing_factor : float
        Seeing of this exposure over that of the scene.
    place : tuple of float
        Where the star stands, -1 to 1 along x and y: aberrations may depend on it. Its focus is
        the caller's to give.
    smear_px : tuple of float
        Line (x, y) along which the star moved while the shutter was open.

    Raises
    ------
    ValueError
        If the scene has no such filter, or neither seeing nor diffraction limits the detail, or
        straight rays are asked for a pupil that is not round.
    """
    (blur,) = star_blurs(
        scene, filter_name, outward_um, seeing_factors=(seeing_factor,), place=place
    )
    return smeared(blur, smear_px) if any(smear_px) else blur


def star_blurs(
    scene: Scene,
    filter_name: str,
    outward_um: float,
    *,
    seeing_factors: Sequence[float],
    place: tuple[float, float] = (0.0, 0.0),
) -> list[Blur]:
    """The same star in several seeings; see `star_blur`."""
    colours = _colours(scene, filter_name, outward_um)
    ratio, pixel = scene.lens.focal_ratio, scene.sensor.pixel_um
    odd = scene.lens.pupil != Pupil()
    stray_um = 2 * ratio * 0.55 * scene.lens.pupil.steepest_waves
    edge_px = (
        max(abs(c.defocus_um) for c in colours) + max(abs(c.spherical_um) for c in colours)
    ) / (2 * ratio) / pixel + stray_um / pixel
    seeing_px = [scene.seeing_um * factor / pixel for factor in seeing_factors]
    stop = _highest_frequency(scene, min(c.nm for c in colours), min(seeing_factors))
    field = 0
    if odd:
        if scene.light == "rays":
            msg = "'light' must be 'waves' for a pupil that is not round"
            raise ValueError(msg)
        field = _field_px(edge_px, max(seeing_px))
        last = _last(stop, field)
        nodes = lattice(last)[1] / field
        parts = [c.share * _plane(scene, c, field, last, place) for c in colours]
    else:
        # Steps of eight pixels keep the nodes, and with them the cached kernels, alike for
        # neighbours.
        panels = 2 + int(np.ceil(stop * (8 * np.ceil(edge_px / 8) + 8) / 2))
        nodes, weight = panel_nodes(stop, panels)
        parts = [c.share * _round(scene, c, nodes / pixel) for c in colours]
    # One air for all colours but where it has a colour of its own.
    lit = [(c.nm, part) for c, part in zip(colours, parts, strict=True)]
    if not scene.sky.kolmogorov:
        lit = [(colours[0].nm, np.sum(parts, axis=0))]
    blurs = []
    for factor, width in zip(seeing_factors, seeing_px, strict=True):
        total = np.zeros_like(parts[0])
        for nm, part in lit:
            air = _air(scene, nodes / pixel, factor, nm)
            total += part * (air[lattice(last)[2]].reshape(part.shape) if odd else air)
        if odd:
            blurs.append(_from_plane(total, field, edge_px, width))
        else:
            blurs.append(Blur(nodes, weight, total, edge_px, width))
    return blurs


def in_plane(blur: Blur, field_px: float) -> np.ndarray:
    """Transfer function at multiples of 1 / ``field_px``, laid out as ``Blur.plane``."""
    if blur.plane is not None:
        if field_px != blur.field_px:
            msg = f"'field_px' must be that of the blur, {blur.field_px}, got {field_px}"
            raise ValueError(msg)
        return blur.plane
    frequency = lattice(_last(float(blur.cycles_per_px[-1]), field_px))[0] / field_px
    nodes = np.concatenate(([0.0], blur.cycles_per_px))
    values = np.concatenate(([1.0], blur.transfer))
    inside = frequency <= nodes[-1]
    grid = np.zeros_like(frequency)
    grid[inside] = CubicSpline(nodes, values)(frequency[inside])
    return grid


def smeared(blur: Blur, smear_px: tuple[float, float]) -> Blur:
    """The star drawn out along a straight line (x, y), its middle kept."""
    edge_px = blur.edge_px + float(np.hypot(*smear_px)) / 2
    field = blur.field_px or _field_px(edge_px, blur.seeing_px)
    plane = in_plane(blur, field)
    row = np.fft.ifftshift(np.arange(plane.shape[1] * 2 - 1) - plane.shape[1] + 1)
    along = np.arange(plane.shape[1]) * smear_px[0] + row[:, None] * smear_px[1]
    return _from_plane(plane * np.sinc(along / field), field, edge_px, blur.seeing_px)


@lru_cache(maxsize=8)
def lattice(last: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Distances of the nodes of ``Blur.plane`` from its origin in steps, and those without repeats.

    The third array is each node's number among the latter.
    """
    row = np.fft.ifftshift(np.arange(-last, last + 1))
    square = np.arange(last + 1) ** 2 + row[:, None] ** 2
    different, which = np.unique(square, return_inverse=True)
    return np.sqrt(square), np.sqrt(different), which.ravel()


def _from_plane(plane: np.ndarray, field_px: int, edge_px: float, seeing_px: float) -> Blur:
    """Blur with the average over directions: sums over the lattice stand for integrals."""
    _, steps, which = lattice(plane.shape[1] - 1)
    times = np.full(plane.shape, 2.0)
    times[:, 0] = 1.0  # the other columns stand for their mirror images too
    count = np.bincount(which, times.ravel())
    mean = np.bincount(which, (times * plane.real).ravel()) / count
    nodes = np.maximum(steps, 1e-9) / field_px
    weight = count / (2 * np.pi * nodes * field_px**2)
    return Blur(nodes, weight, mean, edge_px, seeing_px, plane, field_px)


def _field_px(edge_px: float, seeing_px: float) -> int:
    return 2 * int(np.ceil(1.15 * edge_px + 6 * seeing_px + 14))


def _last(stop: float, field_px: float) -> int:
    """Number of lattice steps up to the highest frequency."""
    return int(min(stop, FINE / 2 - 1 / field_px) * field_px)


def _colours(scene: Scene, filter_name: str, outward_um: float) -> list[_Colour]:
    if filter_name not in scene.filters:
        msg = f"'filter_name' must be one of {', '.join(scene.filters)}, got {filter_name!r}"
        raise ValueError(msg)
    plate, lens = scene.filters[filter_name], scene.lens
    whole, glass = sum(plate.weights), plate.spherical_um(lens.focal_ratio)
    return [
        _Colour(
            nm=nm,
            share=weight / whole,
            defocus_um=outward_um - scene.focus_shift_um(filter_name, nm),
            spherical_um=-lens.spherical_at_um(nm) - glass,
        )
        for nm, weight in zip(plate.wavelengths_nm, plate.weights, strict=True)
    ]


def _air(scene: Scene, per_um: np.ndarray, factor: float, wavelength_nm: float) -> np.ndarray:
    """Transfer function of the seeing."""
    fwhm = scene.seeing_um * factor
    if scene.sky.kolmogorov:
        return kolmogorov_transfer(per_um, fwhm_um=fwhm * (550 / wavelength_nm) ** 0.2)
    return moffat_transfer(per_um, fwhm_um=fwhm, beta=scene.sky.beta)


def _round(scene: Scene, colour: _Colour, per_um: np.ndarray) -> np.ndarray:
    """Transfer function of a round pupil in one colour, by rays or by waves."""
    lens = scene.lens
    if scene.light == "rays":
        return ray_transfer(
            per_um,
            colour.defocus_um,
            focal_ratio=lens.focal_ratio,
            obstruction=lens.obstruction,
            spherical_um=colour.spherical_um,
        )
    return wave_transfer(
        per_um,
        colour.defocus_um,
        wavelength_nm=colour.nm,
        focal_ratio=lens.focal_ratio,
        obstruction=lens.obstruction,
        spherical_um=colour.spherical_um,
    )


def _plane(
    scene: Scene, colour: _Colour, field_px: int, last: int, place: tuple[float, float]
) -> np.ndarray:
    """Transfer function of any pupil in one colour, on the lattice."""
    found = plane_transfer(
        scene.lens.pupil,
        field_um=field_px * scene.sensor.pixel_um,
        wavelength_nm=colour.nm,
        focal_ratio=scene.lens.focal_ratio,
        obstruction=scene.lens.obstruction,
        defocus_um=colour.defocus_um,
        spherical_um=colour.spherical_um,
        place=place,
    )
    plane = np.zeros((2 * last + 1, last + 1), dtype=complex)
    kept = min(last, found.shape[0] // 2 - 1)
    plane[: kept + 1, : kept + 1] = found[: kept + 1, : kept + 1]
    plane[-kept:, : kept + 1] = found[-kept:, : kept + 1]
    return plane


def _highest_frequency(scene: Scene, wavelength_nm: float, seeing_factor: float) -> float:
    """Cycles per pixel beyond which nothing is left of a star."""
    pixel = scene.sensor.pixel_um
    stop = np.inf
    if scene.seeing_um > 0:
        fwhm_um = scene.seeing_um * seeing_factor
        trial = np.linspace(0.0, 40.0, 2001) / fwhm_um
        air = _air(scene, trial, seeing_factor, wavelength_nm)
        # Fine steps would defeat the cache of kernels.
        stop = np.ceil(4 * float(trial[int(np.argmax(air < _BLACK))]) * pixel) / 4
    if scene.light == "waves":
        stop = min(stop, pixel / (wavelength_nm * 1e-3 * scene.lens.focal_ratio))
    if not np.isfinite(stop):
        msg = "a scene of straight rays needs some seeing: 'seeing_arcsec' must exceed 0"
        raise ValueError(msg)
    return float(stop)
