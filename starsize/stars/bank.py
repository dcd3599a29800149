"""Growth curves a telescope can make, from a table made offline by ``make_growth_bank.py``.

They serve as prior knowledge where a frame's own stars are too faint or too few to teach their
growth curve: what lies in the noise is taken from the curves that agree with what does not.
"""

from dataclasses import dataclass
from functools import cached_property, lru_cache
from importlib import resources

import numpy as np
from scipy.interpolate import PchipInterpolator

#: Radii of the table over the half-flux radius.
GRID = np.concatenate([np.arange(0, 3.0, 0.05), np.arange(3.0, 6.0, 0.25), np.geomspace(6, 24, 13)])


@dataclass(frozen=True, eq=False)
class Bank:
    """Many growth curves on one grid of radii, each with half-flux radius 1.

    Attributes
    ----------
    share : (m, g) array
        Share of the light inside each radius of ``GRID``.
    slope : (m, g) array
        Its growth per unit of radius.
    blur : (m, g) array
        Its change with the variance of a small blur (along each axis, in squared units of the
        half-flux radius): what the pixels do to it.
    weight : (m,) array
        Prior probability, summing to 1.
    kind : (m,) bool array
        True for a few curves that stand for all.
    """

    share: np.ndarray
    slope: np.ndarray
    blur: np.ndarray
    weight: np.ndarray
    kind: np.ndarray

    @cached_property
    def kinds(self) -> "Bank":
        """A few curves that stand for all."""
        return self.only(np.flatnonzero(self.kind))

    def only(self, which: np.ndarray) -> "Bank":
        """The bank with some of its curves."""
        kept = (self.share, self.slope, self.blur, self.weight, self.kind)
        return Bank(*(a[which] for a in kept))


@lru_cache(maxsize=1)
def growth_bank() -> Bank:
    """Read the bank, once per process.

    Moffat seeing, a pupil with or without a hole, in and out of focus, by straight rays and by
    waves; accuracy of each curve 1e-3 of the light (tests/stars/test_bank.py).
    """
    source = resources.files(__package__) / "growth_bank.npz"
    with source.open("rb") as stream, np.load(stream) as stored:
        share, blur, weight = (np.array(stored[n], float) for n in ("share", "blur", "weight"))
        kind = stored["kind"]
    slope = PchipInterpolator(GRID, share, axis=1).derivative()(GRID)
    return Bank(share, slope, blur, weight, kind)
