"""Drawn nights as the model takes them."""

import numpy as np

from starsize.night import Exposure
from starsize.simulate.long_night import live_through
from starsize.simulate.long_night_points import PointNoise, draw_night_points, zone_steps

FILTERS = ("L", "G", "B")


def drawn(table, plan, *, seed):
    """Exposures and truth of a drawn night; the observer's table is the true one."""
    night = live_through(plan, seed=seed)
    points = draw_night_points(table, night, PointNoise(), seed=seed)
    zone = zone_steps(table)
    exposures = [
        Exposure(
            file=f"{k + 1:04d}.fits",
            filter=name,
            time_mjd=60000 + night.hours[k] / 24,
            position_steps=table.best_steps[name] + zone * night.moved_zones[k],
            temperature_degC=night.temperature_degC[k],
            exposure_s=plan.exposure_s,
            hfr_px=points.radius_px[k],
            hfr_sigma_px=points.radius_sigma_px[k],
            shape=points.shape[k],
            shape_sigma=points.shape_sigma[k],
            stars=int(points.stars[k]),
            found=int(points.stars[k]),
            elongation=points.elongation[k],
            background_adu=points.background_adu[k],
            altitude_deg=night.altitude_deg[k],
            slopes=tuple(points.slopes[k]),
            slopes_sigma=tuple(points.slopes_sigma[k]),
        )
        for k, name in enumerate(night.filters)
    ]
    return exposures, night, points


def swept(table, names, *, shape_sigma, slopes_noise=None, seed=1):
    """Frames of one sweep a filter, without noise but for that of the slopes over the field."""
    rng = np.random.default_rng(seed)
    zone, places = zone_steps(table), np.linspace(-4, 4, 11)
    frames = []
    for name in names:
        at, seeing = table.best_steps[name] + zone * places, np.ones(places.size)
        for place, row, slopes in zip(
            places, table.radii_px(name, at, seeing), table.slopes(name, at, seeing), strict=True
        ):
            tilted = {}
            if slopes_noise is not None:
                tilted["slopes"] = tuple(slopes + slopes_noise * rng.standard_normal(3))
                tilted["slopes_sigma"] = tuple(np.maximum(slopes_noise, 1e-3))
            frames.append(
                Exposure(
                    file="",
                    filter=name,
                    position_steps=float(zone * place),
                    hfr_px=float(row[1]),
                    shape=float(row[2] / row[1]),
                    shape_sigma=shape_sigma,
                    **tilted,
                )
            )
    return frames
