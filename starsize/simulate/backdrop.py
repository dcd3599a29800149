"""Light and shade beside the stars: nebula, galaxy, satellites, dust, amplifier glow."""

from functools import lru_cache

import numpy as np
from scipy.signal import fftconvolve

from .scene import Scene, Sensor
from .stamp import StarStamp


def has_extended_light(scene: Scene, satellites: tuple[tuple[float, float, float], ...]) -> bool:
    """Whether there is light other than stars and even sky."""
    return bool(scene.sky.nebula_e_per_s or scene.sky.galaxy_e_per_s or satellites)


def extended_light(
    scene: Scene, stamp: StarStamp, *, move_px: tuple[float, float], flipped: bool
) -> np.ndarray:
    """Nebula and galaxy in electrons per second through the widest filter, blurred like stars."""
    rows, columns = scene.sensor.shape
    light = np.zeros((rows, columns))
    if scene.sky.nebula_e_per_s:
        light += scene.sky.nebula_e_per_s * nebula((rows, columns), scene.stars.seed)
    if scene.sky.galaxy_e_per_s:
        light += scene.sky.galaxy_e_per_s * _galaxy((rows, columns), scene.sky.galaxy_px)
    if flipped:
        light = light[::-1, ::-1]
    moved = np.roll(light, (round(move_px[1]), round(move_px[0])), axis=(0, 1))
    return blurred(moved, stamp)


def satellite_light(
    shape: tuple[int, int], stamp: StarStamp, tracks: tuple[tuple[float, float, float], ...]
) -> np.ndarray:
    """Tracks right across the frame, (x, y, angle in degrees), of unit light a pixel of length."""
    light = np.zeros(shape)
    along = np.arange(-sum(shape), sum(shape), 0.5)
    for x, y, angle in tracks:
        column = np.rint(x + along * np.cos(np.deg2rad(angle))).astype(int)
        row = np.rint(y + along * np.sin(np.deg2rad(angle))).astype(int)
        inside = (column >= 0) & (column < shape[1]) & (row >= 0) & (row < shape[0])
        np.add.at(light, (row[inside], column[inside]), 0.5)
    return blurred(light, stamp)


def blurred(light: np.ndarray, stamp: StarStamp) -> np.ndarray:
    """Extended light as the telescope shows it: every point of it is a star."""
    kernel = stamp.phases[0, 0, 2:-1, 2:-1]
    half = kernel.shape[0] // 2
    padded = np.pad(light, half, mode="reflect")
    return np.asarray(fftconvolve(padded, kernel / kernel.sum(), mode="valid"))


@lru_cache(maxsize=2)
def nebula(shape: tuple[int, int], seed: int) -> np.ndarray:
    """Random clouds on all scales: mean 1, scatter about 1, never negative.

    Power falls as the third power of the frequency, as in interstellar clouds (common practice).
    """
    rng = np.random.default_rng([seed, 31])
    frequency = np.hypot(np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1]))
    frequency[0, 0] = np.inf
    waves = rng.standard_normal(frequency.shape) + 1j * rng.standard_normal(frequency.shape)
    clouds = np.fft.irfft2(waves * frequency**-1.5, s=shape)
    bright = np.exp(0.8 * clouds / clouds.std())
    return np.asarray(bright / bright.mean())


@lru_cache(maxsize=4)
def shading(sensor: Sensor, vignetting: float) -> np.ndarray:
    """Share of the light that vignetting and the shadows of dust let through."""
    rows, columns = sensor.shape
    y, x = np.mgrid[:rows, :columns].astype(np.float32)
    square = (2 * x / (columns - 1) - 1) ** 2 + (2 * y / (rows - 1) - 1) ** 2
    left = 1 - vignetting * square / 2
    rng = np.random.default_rng([sensor.serial, 37])
    for _ in range(sensor.dust):
        centre, outer = rng.uniform((0, 0), (columns, rows)), rng.uniform(8, 40)
        inner, depth = 0.45 * outer, rng.uniform(0.03, 0.15)
        away = np.hypot(x - centre[0], y - centre[1])
        left *= 1 - depth * (np.clip(outer - away, 0, 3) - np.clip(inner - away, 0, 3)) / 3
    return left


def amplifier_glow(sensor: Sensor) -> np.ndarray:
    """Electrons per second that the sensor's own electronics add, from one corner inwards."""
    rows, columns = sensor.shape
    y, x = np.ogrid[:rows, :columns]
    away = np.hypot(x, y) / (0.15 * np.hypot(rows, columns))
    return np.asarray(sensor.amplifier_e_per_s * np.exp(-away))


def _galaxy(shape: tuple[int, int], half_light_px: float) -> np.ndarray:
    """A bright core in an inclined disc, in the middle of the frame; all its light is 1."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    x, y = x - (shape[1] - 1) / 2, y - (shape[0] - 1) / 2
    flat = np.hypot(0.8 * x + 0.6 * y, (0.8 * y - 0.6 * x) / 0.5)
    core = np.exp(-7.67 * (np.hypot(x, y) + 0.5) ** 0.25 / (0.4 * half_light_px) ** 0.25)
    disc = np.exp(-1.68 * flat / half_light_px)
    return np.asarray(0.4 * core / core.sum() + 0.6 * disc / disc.sum())
