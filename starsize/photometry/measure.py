"""One image measured alone."""

import numpy as np

from .measured import MeasuredImage


def measure_image(
    image: np.ndarray,
    *,
    places: np.ndarray | None = None,
    expected_radius_px: float | None = None,
    gain_e_per_adu: float | None = None,
    saturation_adu: float | None = None,
    threshold: float = 6.0,
    max_stars: int | None = None,
) -> MeasuredImage:
    """Find and measure the stars of one image and the radius that stands for it."""
    raise NotImplementedError
