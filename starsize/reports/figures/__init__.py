"""Drawings as inline SVG. Only ``_canvas`` knows matplotlib; importing this package loads it."""

from ._canvas import filter_colour_name
from .colour import colour_svg
from .sweeps import left_out_letters, sweep_svg
from .temperature import temperature_svg

__all__ = ["colour_svg", "filter_colour_name", "left_out_letters", "sweep_svg", "temperature_svg"]
