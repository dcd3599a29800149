"""A smooth curve of focus against wavelength, with as few terms as the data allow."""

from dataclasses import dataclass

import numpy as np

from ..linear import least_squares

#: Powers of the wavelength in a curve of one, two and three terms. The three are Conrady's
#: dispersion formula n = n0 + A / lambda + B / lambda^3.5 (Conrady, Applied Optics and Optical
#: Design -- from memory): focus follows the indices, and over 430-690 nm it meets crown-flint
#: doublets to 1 % of their range, real lenses to 3 %.
POWERS = {1: (0.0,), 2: (0.0, -2.0), 3: (0.0, -1.0, -3.5)}
_MIDDLE_NM = 550.0


@dataclass(frozen=True, slots=True, eq=False)
class SmoothCurve:
    """Coefficients of the curve and their covariance; ``len(coefficients)`` terms."""

    coefficients: np.ndarray
    covariance: np.ndarray

    @property
    def terms(self) -> int:
        """Number of terms."""
        return len(self.coefficients)

    def at(self, wavelength_nm: np.ndarray | float) -> np.ndarray:
        """Value at each wavelength."""
        return curve_basis(wavelength_nm, self.terms) @ self.coefficients

    def sigma(self, wavelength_nm: np.ndarray | float) -> np.ndarray:
        """Standard uncertainty at each wavelength."""
        basis = curve_basis(wavelength_nm, self.terms)
        return np.sqrt(np.maximum(np.einsum("ki,ij,kj->k", basis, self.covariance, basis), 0.0))


def curve_basis(wavelength_nm: np.ndarray | float, terms: int) -> np.ndarray:
    """(k, terms) array: the powers of wavelength / 550 nm."""
    x = np.atleast_1d(np.asarray(wavelength_nm, float)) / _MIDDLE_NM
    return np.stack([x**power for power in POWERS[terms]], axis=1)


def fit_smooth_curve(
    wavelength_nm: np.ndarray, shift: np.ndarray, covariance: np.ndarray, *, terms: int
) -> SmoothCurve:
    """Generalised least squares of the curve through k filters.

    ``wavelength_nm`` and ``shift`` are (k,) arrays, the shifts and their positive definite (k, k)
    ``covariance`` in any one unit; ``ValueError`` if there are fewer distinct wavelengths than
    terms (1 to 3).
    """
    if len(np.unique(wavelength_nm)) < terms:
        msg = f"'terms' must not exceed the number of distinct wavelengths, got {terms}"
        raise ValueError(msg)
    found = least_squares(np.asarray(shift, float), curve_basis(wavelength_nm, terms), covariance)
    return SmoothCurve(found.mean, found.covariance)


def secondary_shift(curve: SmoothCurve) -> tuple[float, float]:
    """How far the common focus of F and C lies behind that of d, and its sigma.

    (F + C) / 2 - d, in the curve's own unit; positive further out where the curve's shifts are
    (Smith, Modern Optical Engineering, definition of the secondary spectrum).
    """
    lines = curve_basis(np.array([486.1327, 656.2725, 587.5618]), curve.terms)
    contrast = np.array([0.5, 0.5, -1.0]) @ lines
    value = float(contrast @ curve.coefficients)
    return value, float(np.sqrt(contrast @ curve.covariance @ contrast))
