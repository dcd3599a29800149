"""Photometry: arrays in, numbers out; each image on its own."""

from .flags import FLAG_WORDS, StarFlag, count_flags
from .measure import measure_image
from .measured import REASONS, ImageRadius, MeasuredImage, Stars
from .sky import Sky

__all__ = [
    "FLAG_WORDS",
    "REASONS",
    "ImageRadius",
    "MeasuredImage",
    "Sky",
    "StarFlag",
    "Stars",
    "count_flags",
    "measure_image",
]
