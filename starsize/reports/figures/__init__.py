"""Drawings as inline SVG. Only ``_canvas`` knows matplotlib; importing this package loads it."""

from .colour import colour_svg
from .sweeps import left_out_letters, sweep_svg
from .temperature import temperature_svg

__all__ = ["colour_svg", "left_out_letters", "sweep_svg", "temperature_svg"]
