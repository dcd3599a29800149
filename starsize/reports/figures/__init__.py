"""Drawings as inline SVG. Only ``_canvas`` knows matplotlib; importing this package loads it."""

from ._canvas import in_both_widths
from .colour import colour_svg, lens_svg
from .field import CORNERS, field_svg
from .sweeps import overview_svg, sweep_svgs, temperature_svg
