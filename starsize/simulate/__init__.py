"""Simulated frames with known truth, drawn by physics of its own."""

from .blur import Blur, half_flux_radius_px, star_blur, true_best_focus, true_curve
from .focuser import FocuserPhysics, camera_places
from .lens import Lens, refractive_index
from .plate import FilterPlate, band_samples, usual_plate
from .scene import Scene, Sensor, Sky, StarField

__all__ = [
    "Blur",
    "FilterPlate",
    "FocuserPhysics",
    "Lens",
    "Scene",
    "Sensor",
    "Sky",
    "StarField",
    "band_samples",
    "camera_places",
    "half_flux_radius_px",
    "refractive_index",
    "star_blur",
    "true_best_focus",
    "true_curve",
    "usual_plate",
]
