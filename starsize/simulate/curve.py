"""What is true of a noiseless star: its radius, the curve of its radii, its best focus."""

from collections.abc import Iterable

import numpy as np
from scipy.optimize import brentq, minimize_scalar

from ..optics import critical_focus_zone_um
from .blur import Blur, star_blur
from .exposure import Shot
from .lens import Lens
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


def bounded_radius_px(blur: Blur, bounds_px: tuple[float, float, float]) -> float:
    """Radius of half of the light inside a circle less the level of a ring, without pixels.

    ``bounds_px`` are the radii of the circle and of both edges of the ring, pixels.
    """

    def inside(radius: float) -> float:
        return encircled(radius, blur.cycles_per_px, blur.weight, blur.transfer)

    total, inner, outer = bounds_px
    level = (inside(outer) - inside(inner)) / (outer**2 - inner**2)
    half = 0.5 * (inside(total) - total**2 * level)

    def missing(radius: float) -> float:
        return inside(radius) - radius**2 * level - half

    return float(brentq(missing, 1e-3, total, xtol=1e-9))


def frame_radius_px(scene: Scene, shot: Shot, filter_name: str | None = None) -> float:
    """Half-flux radius of the light as it fell in one exposure, mean over the field, in pixels.

    Where the focus or the aberrations change across the field, nine places of Gauss-Legendre
    quadrature stand for it; else its middle does. ``filter_name`` names a colour camera's channel.
    """
    lens, across = scene.lens, _quadrature(scene.lens)
    outward = scene.focuser.outward_um(shot.camera_steps, shot.temperature_degC)
    return sum(
        of_u
        * of_v
        * half_flux_radius_px(
            star_blur(
                scene,
                filter_name or shot.filter,
                outward - lens.field_shift_um(u, v, scene.sensor.shape),
                seeing_factor=shot.seeing_factor,
                place=(u, v),
                smear_px=shot.smear_px,
            ),
            pixels=False,
        )
        for u, of_u in across
        for v, of_v in across
    )


def frame_best_focus(scene: Scene, filter_name: str) -> float:
    """Position in steps of the smallest `frame_radius_px`, at the temperature ``home_degC``.

    Accuracy: 0.01 zone.
    """
    axis = true_best_focus(scene, filter_name, pixels=False)
    if len(_quadrature(scene.lens)) == 1:
        return axis
    plate, warm = scene.filters[filter_name], scene.focuser.home_degC
    zone_um = critical_focus_zone_um(min(plate.wavelengths_nm), scene.lens.focal_ratio)
    zone = zone_um / scene.focuser.um_per_step

    def radius(position: float) -> float:
        shot = Shot(
            filter=filter_name, camera_steps=position, temperature_degC=warm, exposure_s=1.0
        )
        return frame_radius_px(scene, shot)

    span = abs(scene.lens.curvature_um) / scene.focuser.um_per_step + 2 * zone
    best = minimize_scalar(
        radius, bounds=(axis - span, axis + span), method="bounded", options={"xatol": zone / 100}
    )
    return float(best.x)


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

    # A colour blur may have more than one dip: scan first, then close in on the deepest. No dip is
    # narrower than the critical focus zone of its bluest light; many colours together are smooth.
    zone_um = critical_focus_zone_um(min(plate.wavelengths_nm), scene.lens.focal_ratio)
    low, high = min(shifts) - margin, max(shifts) + margin
    grid = np.linspace(low, high, int(np.clip(np.ceil((high - low) / zone_um), 9, 50)))
    deepest = int(np.argmin([radius(place) for place in grid]))
    low, high = grid[max(deepest - 1, 0)], grid[min(deepest + 1, grid.size - 1)]
    best = minimize_scalar(radius, bounds=(low, high), method="bounded", options={"xatol": 1e-2})
    return scene.focuser.focus_steps(float(best.x), warm)


def _quadrature(lens: Lens) -> list[tuple[float, float]]:
    """Places along one axis of the sensor (-1 to 1) that stand for all, and their weights."""
    if lens.curvature_um or lens.tilt_x_um or lens.tilt_y_um or lens.pupil.varies:
        return [(-(0.6**0.5), 5 / 18), (0.0, 8 / 18), (0.6**0.5, 5 / 18)]
    return [(0.0, 1.0)]
