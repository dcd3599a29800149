"""What is true of a noiseless star: its radius, the curve of its radii, its best focus."""

from collections.abc import Iterable

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from ..optics import critical_focus_zone_um
from .blur import Blur, star_blur
from .scene import Scene
from .transfer import encircled, pixel_transfer_mean


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
