"""Optical glasses by their dispersion formula, and the colour of thin doublets made of them.

Coefficients are those of the makers' data sheets as collected in the CC0 data base of
refractiveindex.info; fused silica and fluorite are Malitson 1965 and 1963.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

#: Wavelengths of the spectral lines that glasses are described at, nm (ISO 7944).
LINES_NM: Final[Mapping[str, float]] = {
    "h": 404.6561,
    "g": 435.8343,
    "F'": 479.9914,
    "F": 486.1327,
    "e": 546.074,
    "d": 587.5618,
    "C'": 643.8469,
    "C": 656.2725,
    "r": 706.5188,
}


@dataclass(frozen=True, slots=True)
class Sellmeier:
    """n^2 - 1 = sum of b L^2 / (L^2 - c), L in micrometres, plus a constant ``a``."""

    b: tuple[float, ...]
    c: tuple[float, ...]
    a: float = 0.0


GLASSES: Final[Mapping[str, Sellmeier]] = {
    "N-BK7": Sellmeier(
        (1.03961212, 0.231792344, 1.01046945), (0.00600069867, 0.0200179144, 103.560653)
    ),
    "F2": Sellmeier(
        (1.34533359, 0.209073176, 0.937357162), (0.00997743871, 0.0470450767, 111.886764)
    ),
    "N-F2": Sellmeier(
        (1.39757037, 0.159201403, 1.2686543), (0.00995906143, 0.0546931752, 119.248346)
    ),
    "SF2": Sellmeier(
        (1.40301821, 0.231767504, 0.939056586), (0.0105795466, 0.0493226978, 112.405955)
    ),
    "N-ZK7": Sellmeier(
        (1.07715032, 0.168079109, 0.851889892), (0.00676601657, 0.0230642817, 89.0498778)
    ),
    "S-FPL53": Sellmeier(
        (0.983532327, 0.069568814, 1.11409238), (0.00492234955, 0.0193581091, 264.275294)
    ),
    "fused silica": Sellmeier(
        (0.6961663, 0.4079426, 0.8974794), (0.0684043**2, 0.1162414**2, 9.896161**2)
    ),
    "CaF2": Sellmeier(
        (0.5675888, 0.4710914, 3.8484723), (0.050263605**2, 0.1003909**2, 34.649040**2)
    ),
    "Borofloat 33": Sellmeier((0.78657, 0.18285), (0.10856**2, 4.427**2), 0.3542),
}
#: Glasses known only from a table: wavelengths in nm and indices (B270: maker's sheet of 1993).
TABLES: Final[Mapping[str, tuple[tuple[float, ...], tuple[float, ...]]]] = {
    "B270": (
        (435.83, 479.99, 486.13, 546.07, 587.56, 589.29, 643.85, 656.27),
        (1.5341, 1.5297, 1.5292, 1.5251, 1.5230, 1.5229, 1.5207, 1.5203),
    )
}


def refractive_index(glass: str, wavelength_nm: float | np.ndarray) -> float | np.ndarray:
    """Refractive index of a glass in air.

    Parameters
    ----------
    glass : str
        One of ``GLASSES`` or ``TABLES``.
    wavelength_nm : float or array
        Wavelength in air, nm; a tabled glass is interpolated and stops at its table's ends.

    Raises
    ------
    ValueError
        If the glass is not known, or a wavelength lies outside its table.

    Notes
    -----
    Accuracy: 1e-5 between 400 and 710 nm, 1e-4 for B270 and Borofloat 33 (tests/test_glasses.py).

    Examples
    --------
    >>> round(float(refractive_index("N-BK7", 587.5618)), 5)
    1.5168
    """
    micrometres = np.asarray(wavelength_nm, float) / 1e3
    if glass in TABLES:
        return _from_table(glass, micrometres * 1e3)
    if glass not in GLASSES:
        known = ", ".join([*GLASSES, *TABLES])
        msg = f"'glass' must be one of {known}; got {glass!r}"
        raise ValueError(msg)
    formula = GLASSES[glass]
    square = micrometres**2
    terms = (b * square / (square - c) for b, c in zip(formula.b, formula.c, strict=True))
    index = np.sqrt(1 + formula.a + sum(terms))
    return float(index) if index.ndim == 0 else index


def abbe_number(glass: str) -> float:
    """V_d = (n_d - 1) / (n_F - n_C)."""
    n_d, n_f, n_c = (refractive_index(glass, LINES_NM[line]) for line in "dFC")
    return float((n_d - 1) / (n_f - n_c))


def partial_dispersion(glass: str) -> float:
    """P_dC = (n_d - n_C) / (n_F - n_C)."""
    n_d, n_f, n_c = (refractive_index(glass, LINES_NM[line]) for line in "dFC")
    return float((n_d - n_c) / (n_f - n_c))


def secondary_spectrum(crown: str, flint: str) -> float:
    """Secondary spectrum of a thin achromat of two glasses, as a share of its focal length.

    (P_1 - P_2) / (V_1 - V_2): how far the common focus of F and C lies behind that of d (Smith,
    Modern Optical Engineering).

    Examples
    --------
    >>> f"f/{1 / secondary_spectrum('N-BK7', 'F2'):.0f}"
    'f/2003'
    """
    shares = partial_dispersion(crown) - partial_dispersion(flint)
    return shares / (abbe_number(crown) - abbe_number(flint))


def thin_doublet_shift(
    crown: str, flint: str, wavelength_nm: float | np.ndarray, *, focal_length_mm: float
) -> float | np.ndarray:
    """Focus of a thin achromat against wavelength, minus that at the d line, in millimetres.

    The powers are V_1 / (V_1 - V_2) and -V_2 / (V_1 - V_2) of the whole, which brings F and C to
    a common focus (Smith, Modern Optical Engineering).
    """
    v1, v2 = abbe_number(crown), abbe_number(flint)

    def power(glass: str, share: float) -> np.ndarray:
        at_d = refractive_index(glass, LINES_NM["d"])
        return share * (np.asarray(refractive_index(glass, wavelength_nm)) - 1) / (at_d - 1)

    total = power(crown, v1 / (v1 - v2)) + power(flint, -v2 / (v1 - v2))
    shift = focal_length_mm * (1 / total - 1)
    return float(shift) if shift.ndim == 0 else shift


def _from_table(glass: str, wavelength_nm: np.ndarray) -> float | np.ndarray:
    at, index = TABLES[glass]
    if np.any((wavelength_nm < at[0] - 0.1) | (wavelength_nm > at[-1] + 0.1)):
        msg = f"the table of {glass} covers {at[0]:g}-{at[-1]:g} nm, got {wavelength_nm} nm"
        raise ValueError(msg)
    # Indices run almost straight in 1 / wavelength^2, which a straight line in wavelength does not.
    value = np.interp(-1 / wavelength_nm**2, -1 / np.array(at) ** 2, index)
    return float(value) if np.ndim(value) == 0 else value
