"""Drawn nights as the model takes them."""

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
