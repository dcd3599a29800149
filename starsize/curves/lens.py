"""What the fit of a night has found of the lens itself: its colour and spherical aberration."""

from dataclasses import dataclass

import numpy as np

from ..estimate import Estimate
from ..optics.star import colour_terms
from .night import COLOUR, SPHERICAL, Night
from .posterior import Posterior


@dataclass(frozen=True, slots=True, eq=False)
class LensFound:
    """Colour and spherical aberration of a telescope.

    Attributes
    ----------
    colour_um : (3,) array
        Shares of `optics.star.colour_terms` in the focus, micrometres towards rising counts.
    covariance_um2 : (3, 3) array
    spherical_waves : Estimate
        Longitudinal aberration at 550 nm, seen through the sky: bad air passes for it.
    """

    colour_um: np.ndarray
    covariance_um2: np.ndarray
    spherical_waves: Estimate

    def focus_um(self, wavelength_nm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Focus of each wavelength beyond that of 550 nm and its sigma, micrometres.

        Examples
        --------
        >>> lens = LensFound(np.array([0.0, 4000.0, 0.0]), np.zeros((3, 3)), Estimate(0.0, 0.1))
        >>> lens.focus_um(np.array([486.1, 550.0]))[0].round()
        array([318.,   0.])
        """
        terms = colour_terms(1e-3 * np.asarray(wavelength_nm, float))
        sigma = np.sqrt(np.einsum("ik,ij,jk->k", terms, self.covariance_um2, terms))
        return self.colour_um @ terms, sigma


def lens_found(night: Night, found: Posterior) -> LensFound | None:
    """Read the lens off the posterior; None where no focal ratio and pixel give it a scale."""
    if not night.scaled:
        return None
    um = 1 / night.telescope.blur_px_per_um
    middle = found.weight @ found.values
    spread = float(np.sqrt(found.shared[SPHERICAL, SPHERICAL]))
    return LensFound(
        middle[COLOUR] * um,
        found.shared[COLOUR, COLOUR] * um**2,
        Estimate(float(middle[SPHERICAL]), spread),
    )
