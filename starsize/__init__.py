"""Telescope focus from image frames: half-flux radii, focus curves, filter offsets."""

__version__ = "0.1.0"
