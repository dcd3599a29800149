"""What the sweeps of a night say of the lens: where each colour focuses, how it is figured."""

import numpy as np

from ..estimate import Estimate
from ..optics.star import colour_terms
from .fitted import LensColour
from .night import COLOUR, LOG_SLOPE, SPHERICAL, Night
from .posterior import Posterior

#: Lines F, C and d of a secondary spectrum, nanometres (Smith, Modern Optical Engineering).
LINES_NM = (486.1327, 656.2725, 587.5618)
_POINTS = 65
#: Bands that span less do not tell of a lens' colour.
_LEAST_SPAN_NM = 100.0


def lens_colour(night: Night, found: Posterior) -> LensColour | None:
    """Read the lens off the posterior; None where the bands span too little to tell.

    A colour focuses where the disc that its defocus makes vanishes: at the position
    (c . terms) / rho beyond that of 550 nm, c the lens' colour in pixels and rho the blur in pixels
    per step (``optics.star.colour_terms``).
    """
    low = min(band.wavelength_nm - band.width_nm / 2 for band in night.bands)
    high = max(band.wavelength_nm + band.width_nm / 2 for band in night.bands)
    if high - low < _LEAST_SPAN_NM:
        return None
    per_step = float(np.exp(found.weight @ found.values[:, LOG_SLOPE]))
    middle, known = found.moments(found.values[:, COLOUR], found.known[:, COLOUR, COLOUR])
    wavelength = np.linspace(low, high, _POINTS)
    basis = colour_terms(1e-3 * wavelength).T / per_step
    f, c, d = colour_terms(1e-3 * np.array(LINES_NM)).T / per_step
    line = (f + c) / 2 - d
    reaches = low <= LINES_NM[0] + 10 and high >= LINES_NM[1] - 10
    one = slice(SPHERICAL, SPHERICAL + 1)
    wave, wave_known = found.moments(found.values[:, one], found.known[:, one, one])
    return LensColour(
        wavelength_nm=wavelength,
        shift_steps=basis @ middle,
        sigma_steps=np.sqrt(np.einsum("ki,ij,kj->k", basis, known, basis)),
        secondary_steps=Estimate(float(line @ middle), float(np.sqrt(line @ known @ line)))
        if reaches
        else Estimate(float("nan")),
        spherical_waves=Estimate(float(wave[0]), float(np.sqrt(wave_known[0, 0]))),
    )
