"""Drawings as inline SVG. Only ``_canvas`` knows matplotlib; importing this package loads it."""

from ._canvas import in_both_widths
from .colour import colour_svg, lens_svg
from .field import field_svg
from .sweeps import overview_svg, sweep_svg, temperature_svg

__all__ = [
    "colour_svg", "field_svg", "in_both_widths", "lens_svg", "overview_svg", "sweep_svg",
    "temperature_svg",
]  # fmt: skip
