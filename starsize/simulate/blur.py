"""The light of one noiseless star: its transfer function, its true radius, its best focus."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from ..optics import critical_focus_zone_um
from .scene import Scene
from .transfer import (
    encircled,
    moffat_transfer,
    panel_nodes,
    pixel_transfer_mean,
    ray_transfer,
    wave_transfer,
)

_BLACK = 1e-7
"""Transfer below which a frequency no longer matters."""


@dataclass(frozen=True, slots=True, eq=False)
class Blur:
    """Transfer function of a star before the pixels, at nodes of radial frequency.

    Attributes
    ----------
    cycles_per_px, weight : (n,) float array
        Frequencies, and their quadrature weights for an integral over frequency.
    transfer : (n,) float array
    edge_px : float
        Radius that holds the straight rays of all colours.
    seeing_px : float
        Full width at half maximum of the seeing.
    """

    cycles_per_px: np.ndarray
    weight: np.ndarray
    transfer: np.ndarray
    edge_px: float
    seeing_px: float


def star_blur(
    scene: Scene, filter_name: str, outward_um: float, *, seeing_factor: float = 1.0
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

    Raises
    ------
    ValueError
        If the scene has no such filter, or neither seeing nor diffraction limits the detail.
    """
    if filter_name not in scene.filters:
        msg = f"'filter_name' must be one of {', '.join(scene.filters)}, got {filter_name!r}"
        raise ValueError(msg)
    plate = scene.filters[filter_name]
    ratio, pixel = scene.lens.focal_ratio, scene.sensor.pixel_um
    colours = plate.wavelengths_nm
    spherical = [-scene.lens.spherical_at_um(c) - plate.spherical_um(ratio) for c in colours]
    defocus = [outward_um - scene.focus_shift_um(filter_name, c) for c in colours]
    edge_px = (max(map(abs, defocus)) + max(map(abs, spherical))) / (2 * ratio) / pixel
    seeing_px = scene.seeing_um * seeing_factor / pixel
    stop = _highest_frequency(scene, min(colours), seeing_factor)
    # Steps of eight pixels keep the nodes, and with them the cached kernels, alike for neighbours.
    panels = 2 + int(np.ceil(stop * (8 * np.ceil(edge_px / 8) + 8) / 2))
    nodes, weight = panel_nodes(stop, panels)
    per_um = nodes / pixel
    total = np.zeros_like(nodes)
    for colour, share, shift, edge in zip(colours, plate.weights, defocus, spherical, strict=True):
        total += share * _pupil_transfer(scene, per_um, shift, colour, edge)
    total /= sum(plate.weights)
    air = moffat_transfer(per_um, fwhm_um=scene.seeing_um * seeing_factor, beta=scene.sky.beta)
    return Blur(nodes, weight, total * air, edge_px, seeing_px)


def half_flux_radius_px(blur: Blur, *, pixels: bool = True, fraction: float = 0.5) -> float:
    """Radius that holds half of all the light of a noiseless star, in pixels.

    Parameters
    ----------
    blur : Blur
    pixels : bool
        True: as measured with exact pixel areas on the pixel-integrated image, averaged over the
        star's place within a pixel; the square of a pixel then blurs twice, once when it collects
        the light and once when its light counts as spread evenly over it. False: the continuous
        profile that falls on the sensor.
    fraction : float
        Share of the light.
    """
    transfer = blur.transfer
    if pixels:
        transfer = transfer * pixel_transfer_mean(blur.cycles_per_px, times=2)

    def missing(radius: float) -> float:
        return encircled(radius, blur.cycles_per_px, blur.weight, transfer) - fraction

    top = blur.edge_px + 3 * blur.seeing_px + 3
    while missing(top) < 0:
        top *= 2
    return float(brentq(missing, 1e-3, top, xtol=1e-9))


def true_curve(
    scene: Scene,
    filter_name: str,
    positions: Iterable[float],
    *,
    temperature_degC: float | None = None,
    seeing_factor: float = 1.0,
    pixels: bool = True,
) -> np.ndarray:
    """True half-flux radius of a noiseless star at each focuser position, in pixels.

    On the optical axis, with the camera exactly where a rising count puts it.

    Parameters
    ----------
    scene : Scene
    filter_name : str
    positions : iterable of float
        Steps.
    temperature_degC : float, optional
        The scene's ``home_degC`` where not given.
    seeing_factor : float
        Seeing over that of the scene.
    pixels : bool
        See `half_flux_radius_px`.

    Returns
    -------
    (n,) float array

    Examples
    --------
    >>> scene = Scene(light="rays")
    >>> true_curve(scene, "L", [12100, 12171, 12250]).round(1)
    array([4.9, 1.2, 5.4])
    """
    warm = scene.focuser.home_degC if temperature_degC is None else temperature_degC
    places = [scene.focuser.outward_um(p, warm) for p in positions]
    blurs = (star_blur(scene, filter_name, p, seeing_factor=seeing_factor) for p in places)
    return np.array([half_flux_radius_px(blur, pixels=pixels) for blur in blurs])


def true_best_focus(
    scene: Scene, filter_name: str, *, temperature_degC: float | None = None, pixels: bool = True
) -> float:
    """Position in steps at which the noiseless star is smallest (see `true_curve`).

    Accuracy: 0.01 step for curves with one minimum (tests/simulate/test_blur.py).
    """
    warm = scene.focuser.home_degC if temperature_degC is None else temperature_degC
    plate = scene.filters[filter_name]
    shifts = [scene.focus_shift_um(filter_name, c) for c in plate.wavelengths_nm]
    spherical = max(abs(scene.lens.spherical_at_um(c)) for c in plate.wavelengths_nm)
    margin = spherical + plate.spherical_um(scene.lens.focal_ratio) + 60.0

    def radius(outward_um: float) -> float:
        return half_flux_radius_px(star_blur(scene, filter_name, outward_um), pixels=pixels)

    # A colour blur may have more than one dip: scan first, then close in on the deepest. No dip
    # is narrower than the critical focus zone of its bluest light.
    zone_um = critical_focus_zone_um(min(plate.wavelengths_nm), scene.lens.focal_ratio)
    low, high = min(shifts) - margin, max(shifts) + margin
    grid = np.linspace(low, high, max(9, int(np.ceil((high - low) / zone_um))))
    deepest = int(np.argmin([radius(place) for place in grid]))
    low, high = grid[max(deepest - 1, 0)], grid[min(deepest + 1, grid.size - 1)]
    best = minimize_scalar(radius, bounds=(low, high), method="bounded", options={"xatol": 1e-2})
    return scene.focuser.focus_steps(float(best.x), warm)


def _pupil_transfer(
    scene: Scene, per_um: np.ndarray, defocus_um: float, colour_nm: float, spherical_um: float
) -> np.ndarray:
    """Transfer function of the pupil in one colour, by rays or by waves as the scene says."""
    ratio, obstruction = scene.lens.focal_ratio, scene.lens.obstruction
    if scene.light == "rays":
        return ray_transfer(
            per_um,
            defocus_um,
            focal_ratio=ratio,
            obstruction=obstruction,
            spherical_um=spherical_um,
        )
    return wave_transfer(
        per_um,
        defocus_um,
        wavelength_nm=colour_nm,
        focal_ratio=ratio,
        obstruction=obstruction,
        spherical_um=spherical_um,
    )


def _highest_frequency(scene: Scene, wavelength_nm: float, seeing_factor: float) -> float:
    """Cycles per pixel beyond which nothing is left of a star."""
    pixel = scene.sensor.pixel_um
    stop = np.inf
    if scene.seeing_um > 0:
        fwhm_um = scene.seeing_um * seeing_factor
        trial = np.linspace(0.0, 40.0, 2001) / fwhm_um
        air = moffat_transfer(trial, fwhm_um=fwhm_um, beta=scene.sky.beta)
        # Fine steps would defeat the cache of kernels.
        stop = np.ceil(4 * float(trial[int(np.argmax(air < _BLACK))]) * pixel) / 4
    if scene.light == "waves":
        stop = min(stop, pixel / (wavelength_nm * 1e-3 * scene.lens.focal_ratio))
    if not np.isfinite(stop):
        msg = "a scene of straight rays needs some seeing: 'seeing_arcsec' must exceed 0"
        raise ValueError(msg)
    return float(stop)
