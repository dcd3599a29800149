"""Photometry: arrays in, numbers out; each image on its own."""

from .measure import half_flux_radius, measure_image, star_table
from .measured import REASONS, Grid, ImageRadius, Known, StarFlag, Stars
