"""The sky under the stars."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True, eq=False)
class Sky:
    """A smooth background and its pixel noise.

    Attributes
    ----------
    cells : (my, mx) array
        Level at the middle of each cell, ADU.
    cell_px : float
        Width of a cell in pixels.
    noise : float
        Standard deviation of one pixel of empty sky, ADU.
    """

    cells: np.ndarray
    cell_px: float
    noise: float

    @property
    def level(self) -> float:
        """Typical background, ADU."""
        return float(np.median(self.cells))
