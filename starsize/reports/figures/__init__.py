"""Drawings as inline SVG. Only ``_canvas`` knows matplotlib; importing this package loads it."""

from .colour import colour_svg
from .lens import lens_svg
from .overview import overview_svg
from .sweeps import sweep_svg
from .temperature import temperature_svg

__all__ = ["colour_svg", "lens_svg", "overview_svg", "sweep_svg", "temperature_svg"]
