"""A night of exposures at the level of radii, without pixels: quick, for many nights."""

from dataclasses import dataclass

import numpy as np

from ..optics import critical_focus_zone_um
from .long_night import LongNight
from .points import RadiusTable


@dataclass(frozen=True, slots=True, kw_only=True)
class PointNoise:
    """How well a frame tells its radii.

    ``stars`` are seen in a clear frame through the widest filter. ``star_noise`` is the relative
    uncertainty of the half-flux radius, ``light_noise`` that of the brighter stars' light,
    ``shape_wobble`` the real change of the shape from frame to frame (guiding, another part of the
    sky), ``slope_noise`` that of the slopes of radius over the field beyond the stars' own noise.
    """

    stars: int = 200
    star_noise: float = 0.003
    light_noise: float = 0.02
    shape_wobble: float = 0.003
    slope_noise: float = 0.003
    elongation: float = 1.04
    elongation_noise: float = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NightPoints:
    """What the frames of a night show, (K,) arrays, and ``growth``, the true one.

    ``slopes`` and ``slopes_sigma`` (K, 3) are those of `RadiusTable.slopes`.
    """

    radius_px: np.ndarray
    radius_sigma_px: np.ndarray
    shape: np.ndarray
    shape_sigma: np.ndarray
    stars: np.ndarray
    light_adu: np.ndarray
    elongation: np.ndarray
    background_adu: np.ndarray
    slopes: np.ndarray
    slopes_sigma: np.ndarray
    growth: np.ndarray


def zone_steps(table: RadiusTable) -> float:
    """Steps in a zone of 550 nm."""
    scene = table.scene
    return critical_focus_zone_um(550.0, scene.lens.focal_ratio) / scene.focuser.um_per_step


def true_growth(table: RadiusTable, night: LongNight) -> np.ndarray:
    """Growth of the half-flux radius owed to defocus alone, at each frame's seeing, (K,)."""
    zone = zone_steps(table)
    growth = np.empty(len(night.filters))
    for k, name in enumerate(night.filters):
        best = table.best_steps[name]
        near = best + zone * np.linspace(-1.5, 1.5, 61)
        seeing = np.full(near.size, night.seeing[k])
        least = table.radii_px(name, near, seeing)[:, 1].min()
        here = best + zone * night.defocus_zones[k]
        at = table.radii_px(name, np.array([here]), night.seeing[k : k + 1])[0, 1]
        growth[k] = at / least - 1
    return growth


def draw_night_points(
    table: RadiusTable, night: LongNight, noise: PointNoise, *, seed: int
) -> NightPoints:
    """Draw what the frames of a night show.

    Wind adds its line's variance to the squared radii, in the share of a Gaussian star's.
    """
    rng = np.random.default_rng([seed, 67])
    count, zone = len(night.filters), zone_steps(table)
    # The first three are those of 30, 50 and 80 % of the light.
    radii = np.array(
        [
            table.radii_px(
                name,
                np.array([table.best_steps[name] + zone * night.defocus_zones[k]]),
                night.seeing[k : k + 1],
            )[0, :3]
            for k, name in enumerate(night.filters)
        ]
    )
    line = (night.smear_px**2).sum(1) / 12
    width = (radii[:, 1] / 1.177) ** 2
    radii = np.sqrt(radii**2 + line[:, None] / 2 * (0.713, 1.386, 3.219))
    clear = (1 - night.cloud) ** 0.75
    stars = rng.poisson(np.maximum(noise.stars * clear * (radii[0, 1] / radii[:, 1]) ** 0.75, 0))
    relative = noise.star_noise * np.sqrt(noise.stars / np.maximum(stars, 1))
    shared = 0.8 * rng.standard_normal(count)
    own = shared + 0.6 * rng.standard_normal(count)
    outer = shared + 0.6 * rng.standard_normal(count)
    half = radii[:, 1] * (1 + relative * own)
    wobble = noise.shape_wobble * rng.standard_normal(count)
    large = radii[:, 2] * (1 + 1.5 * relative * outer + wobble)
    wide = noise.elongation_noise * np.sqrt(noise.stars / np.maximum(stars, 1))
    dimming = np.exp(noise.light_noise * rng.standard_normal(count))
    light = np.where(stars > 0, 1e5 * (1 - night.cloud) * dimming, np.nan)
    half[stars == 0] = large[stars == 0] = np.nan
    slopes, steep = drawn_slopes(table, night, noise, relative, rng.spawn(1)[0])
    return NightPoints(
        radius_px=half,
        radius_sigma_px=relative * half,
        shape=large / half,
        shape_sigma=1.2 * relative * large / half,
        stars=stars,
        light_adu=light,
        elongation=noise.elongation * np.sqrt(1 + line / width) + wide * rng.standard_normal(count),
        background_adu=500 + 300 * night.glow * (1 + night.cloud),
        slopes=slopes,
        slopes_sigma=steep,
        growth=true_growth(table, night),
    )


def drawn_slopes(
    table: RadiusTable,
    night: LongNight,
    noise: PointNoise,
    relative: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Slopes of ln radius over the field and their star noise, (K, 3).

    Stars spread evenly give u and v a variance of 1/3 and w, half the sum of their squares, one of
    2/45; of a mean over all stars that is known to ``relative``.
    """
    zone = zone_steps(table)
    at = [table.best_steps[name] + zone * d
          for name, d in zip(night.filters, night.defocus_zones, strict=True)]  # fmt: skip
    true = np.stack([
        table.slopes(name, np.array([place]), night.seeing[k : k + 1])[0]
        for k, (name, place) in enumerate(zip(night.filters, at, strict=True))
    ])  # fmt: skip
    sigma = relative[:, None] * np.sqrt((3.0, 3.0, 22.5))
    spread = np.hypot(sigma, noise.slope_noise)
    return true + spread * rng.standard_normal(true.shape), sigma
