"""Sweeps side by side, and the jitters that every one is tried with."""

from dataclasses import dataclass, fields

import numpy as np

JITTERS = np.geomspace(0.001, 0.5, 18)
LEVELS = np.arange(JITTERS.size)


@dataclass(frozen=True, slots=True)
class Batch:
    """Sweeps side by side: (k, n) arrays, padded at the end where ``present`` is 0.

    ``x`` is position scaled to -1..1 per sweep: position = middle + half * x. ``shake`` (k,) is the
    scatter of the camera about the counted positions, in the same scale.
    """

    x: np.ndarray
    y: np.ndarray
    star: np.ndarray
    present: np.ndarray
    middle: np.ndarray
    half: np.ndarray
    shake: np.ndarray

    def rows(self, chosen: np.ndarray) -> "Batch":
        """Some of the sweeps."""
        return Batch(*(getattr(self, item.name)[chosen] for item in fields(self)))
