"""One exposure: stars on the sensor, sky, and what the camera makes of them."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from .backdrop import (
    amplifier_glow,
    extended_light,
    has_extended_light,
    satellite_light,
    shading,
)
from .blur import star_blur
from .scene import Scene, Sensor, StarField
from .stamp import StarStamp, add_stars, star_stamp

_SATELLITE_E = 6000.0
"""Electrons of a satellite per pixel of its trail, through the widest filter."""
_PLACES = 2
"""Grid steps from the middle of the field to its edge, for aberrations that change across it."""
_MARGIN = 1.5
"""Side of the square of sky that is filled with stars, over the frame's diagonal."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pointing:
    """Where the sky lies on the sensor: turned about the frame's middle, then moved."""

    dx_px: float = 0.0
    dy_px: float = 0.0
    rotation_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One exposure to be drawn.

    ``camera_steps`` is where the camera really stands, ``temperature_degC`` that of the tube,
    ``seeing_factor`` the seeing over that of the scene, ``smear_px`` the line (x, y) along which
    wind or poor guiding drew the stars out. ``cloud`` is the share of light lost. ``satellites``
    are trails: a point (x, y) and an angle in degrees.
    """

    filter: str
    camera_steps: float
    temperature_degC: float
    exposure_s: float
    seeing_factor: float = 1.0
    smear_px: tuple[float, float] = (0.0, 0.0)
    cloud: float = 0.0
    satellites: tuple[tuple[float, float, float], ...] = ()
    pointing: Pointing = Pointing()


def star_field(stars: StarField, shape: tuple[int, int]) -> np.ndarray:
    """Stars of the sky about the middle of a frame.

    Returns
    -------
    (n, 3) float array
        x and y in pixels from the frame's middle, electrons per second in the widest filter,
        brightest first.
    """
    rng = np.random.default_rng([stars.seed, 11])
    side = _MARGIN * float(np.hypot(*shape))
    total = round(stars.count * side**2 / (shape[0] * shape[1]))
    places = rng.uniform(-side / 2, side / 2, (total, 2))
    light = stars.faintest_e_per_s * rng.uniform(size=total) ** (-1 / stars.slope)
    light = np.sort(np.minimum(light, stars.brightest_e_per_s))[::-1]
    if stars.only_e_per_s:
        light = np.sort(stars.only_e_per_s)[::-1]
        places = rng.uniform(-0.38, 0.38, (light.size, 2)) * (shape[1], shape[0])
    if stars.clearance_px > 0:
        keep = _apart(places, stars.clearance_px)
        places, light = places[keep], light[keep]
    if stars.double_share > 0:
        places, light = _with_companions(places, light, stars.double_share, rng)
    return np.column_stack([places, light])


def place_stars(
    field: np.ndarray, shape: tuple[int, int], pointing: Pointing, *, scale: float = 1.0
) -> np.ndarray:
    """Stars of the sky brought onto the sensor: columns x, y (pixels) and light."""
    angle = np.deg2rad(pointing.rotation_deg)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    middle = np.array([(shape[1] - 1) / 2, (shape[0] - 1) / 2])
    places = scale * field[:, :2] @ turn + middle + (pointing.dx_px, pointing.dy_px)
    return np.column_stack([places, field[:, 2]])


def expected_light(scene: Scene, shot: Shot) -> np.ndarray:
    """Mean number of electrons in each pixel of an exposure, before any noise.

    Returns
    -------
    (ny, nx) float array
    """
    bayer = scene.sensor.bayer
    if bayer is None:
        return _light_through(scene, shot, shot.filter)
    image = np.empty(scene.sensor.shape)
    for colour in "RGB":
        seen = np.array([[c == colour for c in bayer[:2]], [c == colour for c in bayer[2:]]])
        rows, columns = scene.sensor.shape
        mask = np.tile(seen, (rows // 2 + 1, columns // 2 + 1))[:rows, :columns]
        image[mask] = _light_through(scene, shot, colour)[mask]
    return image


def draw_exposure(scene: Scene, shot: Shot, *, rng: np.random.Generator) -> np.ndarray:
    """One frame as the camera writes it.

    Returns
    -------
    (ny, nx) uint16 array
        In ADU.
    """
    sensor = scene.sensor
    # Rounding leaves -1e-9 of a star's light in its empty outskirts.
    light = np.maximum(expected_light(scene, shot), 0.0)
    electrons = rng.poisson(light).astype(float)
    _add_cosmic_rays(electrons, scene, rng)
    electrons += sensor.read_noise_e * rng.standard_normal(electrons.shape)
    electrons += _hot_pixels(sensor, shot.exposure_s)
    counts = np.minimum(electrons / sensor.gain_e_per_adu, sensor.full_well_adu)
    if sensor.response:
        of_pixel = np.random.default_rng([sensor.serial, 41]).standard_normal(counts.shape)
        counts *= 1 + sensor.response * of_pixel
    steps = np.rint((counts + sensor.bias_adu) / sensor.step_adu) * sensor.step_adu
    return np.clip(steps, 0, 65535).astype(np.uint16)


def _light_through(scene: Scene, shot: Shot, filter_name: str) -> np.ndarray:
    """Mean electrons of stars and sky, as if every pixel lay behind this filter."""
    sensor, plate = scene.sensor, scene.filters[filter_name]
    shape = sensor.shape
    through = plate.throughput * shot.exposure_s
    u, v = _field_coordinates(shape)
    sky = scene.sky
    image = (1 - shot.cloud) * sky.glow_e_per_s * through * (1 + sky.gradient * (u + v) / 4)
    outward = scene.focuser.outward_um(shot.camera_steps, shot.temperature_degC)
    # The ray through the pupil's middle goes on straight; a plate moves it no nearer the edge.
    scale = 1 + (outward - plate.shift_um()) * 1e-3 / scene.lens.focal_length_mm
    sky_stars = star_field(scene.stars, shape)
    if filter_name in scene.stars.right_only:
        sky_stars = sky_stars[sky_stars[:, 0] > 0]
    stars = place_stars(sky_stars, shape, shot.pointing, scale=scale)
    stars[:, 2] *= through * (1 - shot.cloud)
    _add_field(image, scene, shot, filter_name, outward, stars)
    if has_extended_light(scene, shot.satellites):
        stamp = star_stamp(
            star_blur(
                scene,
                filter_name,
                outward,
                seeing_factor=shot.seeing_factor,
                smear_px=shot.smear_px,
            )
        )
        behind = extended_light(
            scene,
            stamp,
            move_px=(shot.pointing.dx_px, shot.pointing.dy_px),
            flipped=abs(shot.pointing.rotation_deg) > 90,
        )
        image += through * (1 - shot.cloud) * behind
        image += plate.throughput * _SATELLITE_E * satellite_light(shape, stamp, shot.satellites)
    if sensor.dust:
        image *= shading(sensor, sky.vignetting)
    else:
        image *= 1 - sky.vignetting * (u * u + v * v) / 2
    if sensor.amplifier_e_per_s:
        image += shot.exposure_s * amplifier_glow(sensor)
    return image


def _add_field(
    image: np.ndarray,
    scene: Scene,
    shot: Shot,
    filter_name: str,
    outward_um: float,
    stars: np.ndarray,
) -> None:
    """Add the stars, each with the blur of its place in the field."""
    rows, columns = image.shape
    u = np.clip(2 * stars[:, 0] / (columns - 1) - 1, -1.2, 1.2)
    v = np.clip(2 * stars[:, 1] / (rows - 1) - 1, -1.2, 1.2)
    # Aberrations are those of the nearest of a grid of places.
    grid = _PLACES if scene.lens.pupil.varies else 0.0
    places = np.rint(np.column_stack([u, v]) * grid)
    # Stars whose focus differs by less than a tenth of the zone (2 lambda N^2) share a stamp.
    grain = 0.1 * scene.lens.focal_ratio**2
    if grid:
        u, v = (places / grid).T
    away = [scene.lens.field_shift_um(*uv, image.shape) for uv in zip(u, v, strict=True)]
    shift = np.rint(np.array(away) / grain)
    alike, which = np.unique(np.column_stack([places, shift]), axis=0, return_inverse=True)
    for number, (across, down, step) in enumerate(alike):
        blur = star_blur(
            scene,
            filter_name,
            outward_um - step * grain,
            seeing_factor=shot.seeing_factor,
            place=(across / max(grid, 1), down / max(grid, 1)),
            smear_px=shot.smear_px,
        )
        stamp = star_stamp(blur)
        chosen = stars[which.ravel() == number]
        add_stars(image, stamp, chosen, reach_px=_reach(stamp, chosen[:, 2]))


def _reach(stamp: StarStamp, flux: np.ndarray) -> np.ndarray:
    """Pixels to each side beyond which a star gives less than a hundredth electron a pixel."""
    plane = stamp.phases[0, 0, 2:-1, 2:-1]
    away = np.abs(np.arange(plane.shape[0]) - stamp.half_px)
    profile = np.zeros(stamp.half_px + 1)
    np.maximum.at(profile, np.maximum(away, away[:, None]), plane)
    brighter_further_out = np.maximum.accumulate(profile[::-1])[::-1]
    return np.searchsorted(-brighter_further_out, -0.01 / np.maximum(flux, 1e-9)) + 1


def _field_coordinates(shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Places of pixels from -1 to 1 along x (a row) and y (a column)."""
    return np.linspace(-1, 1, shape[1])[None, :], np.linspace(-1, 1, shape[0])[:, None]


def _hot_pixels(sensor: Sensor, exposure_s: float) -> np.ndarray:
    """Dark current of the sensor's hot pixels, in electrons: the same pixels every time."""
    rng = np.random.default_rng([sensor.serial, 13])
    dark = np.zeros(sensor.shape)
    places = rng.choice(dark.size, size=sensor.hot_pixels, replace=False)
    dark.flat[places] = rng.exponential(400.0, sensor.hot_pixels) * exposure_s
    return dark


def _add_cosmic_rays(electrons: np.ndarray, scene: Scene, rng: np.random.Generator) -> None:
    """Short straight tracks, and now and then the trail of a satellite right across."""
    rows, columns = electrons.shape
    for _ in range(rng.poisson(scene.sky.cosmic_rays)):
        start = rng.uniform((0, 0), (columns, rows))
        _add_track(electrons, start, rng.uniform(0, np.pi), rng.exponential(4.0) + 1, 900.0)
    if rng.uniform() < scene.sky.satellite_chance:
        start = rng.uniform((0, 0), (columns, rows))
        angle, length = rng.uniform(0, np.pi), float(rows + columns)
        for across in (-1.0, 0.0, 1.0):
            shifted = start + across * np.array([-np.sin(angle), np.cos(angle)])
            _add_track(electrons, shifted, angle, length, 120.0)
            _add_track(electrons, shifted, angle + np.pi, length, 120.0)


def _add_track(
    electrons: np.ndarray, start: np.ndarray, angle: float, length: float, per_px: float
) -> None:
    """Put charge along a straight line."""
    along = np.arange(0.5, length, 1.0)
    x = np.rint(start[0] + along * np.cos(angle)).astype(int)
    y = np.rint(start[1] + along * np.sin(angle)).astype(int)
    inside = (x >= 0) & (x < electrons.shape[1]) & (y >= 0) & (y < electrons.shape[0])
    electrons[y[inside], x[inside]] += per_px


def _apart(places: np.ndarray, clearance_px: float) -> np.ndarray:
    """True for stars that have no brighter star closer than the clearance."""
    keep = np.ones(len(places), dtype=bool)
    for first, second in sorted(cKDTree(places).query_pairs(clearance_px)):
        if keep[first]:
            keep[second] = False
    return keep


def _with_companions(
    places: np.ndarray, light: np.ndarray, share: float, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """The stars and, beside some of them, a fainter one."""
    has = rng.uniform(size=light.size) < share
    away, angle = rng.uniform(1.5, 12, has.sum()), rng.uniform(0, 2 * np.pi, has.sum())
    beside = places[has] + np.column_stack([away * np.cos(angle), away * np.sin(angle)])
    fainter = light[has] * 10 ** (-0.4 * rng.uniform(0, 3, has.sum()))
    return np.vstack([places, beside]), np.concatenate([light, fainter])
