"""Photometry: arrays in, numbers out; each image on its own."""

from .flags import FLAG_WORDS, StarFlag, count_flags
from .measure import measure_image
from .measured import REASONS, Bounded, Grid, ImageRadius, Known, MeasuredImage, Stars
from .sky import Sky
from .tables import half_flux_radius, measure_frame, star_table
